package conformance_test

import (
	"testing"

	"benchyard/jobs/conformance"
)

// A leakage ratio has to meet either of its limits (TS 38.104 6.6.3.3). Where
// the guard bands of the two differ, the one that is kept decides: with less
// carrier power, so with less leakage, a verdict must not get worse.
func TestEitherLeakageLimitKeptIsAPass(t *testing.T) {
	for _, rule := range []conformance.DecisionRule{
		{Name: "guarded", GuardBandFactor: 1}, {Name: "guarded-non-binary", GuardBandFactor: 1}, {Name: "conformance-probability", Probability: 0.95},
	} {
		for carrier := 46.0; carrier >= 30; carrier -= 0.125 {
			list, readings := fixture(t)
			change(t, readings, "6.6.3/lower/1", func(r *conformance.Reading) {
				// 44.2 dB are required: 0.8 dB beside 0.3 dB of uncertainty.
				r.Value, r.CarrierPower, r.Budget, r.Absolute = 45, carrier, budget(t, 0.3), budget(t, 1.9)
			})
			results, err := conformance.Judge(list, readings, rule)
			if err != nil {
				t.Fatal(err)
			}
			if r := find(t, results, "6.6.3/lower/1"); r.Verdict != pass {
				t.Fatalf("%s, carrier %g dBm: %s, limit %g, uncertainty %g (%s)", rule, carrier, r.Verdict, *r.Lower, r.Uncertainty, r.Note)
			}
		}
	}
}
