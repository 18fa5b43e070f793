package conformance_test

import (
	"math/rand/v2"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Whatever is known of the points of a series, and under every rule, a verdict
// never gets better when one of them reads higher.
func TestSeriesNeverGetsBetterByReadingHigher(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	grade := map[conformance.Verdict]int{pass: 1, conformance.ConditionalPass: 2, conformance.ConditionalFail: 3, fail: 4}
	rules := []conformance.DecisionRule{{}, {Name: "simple"}, {Name: "guarded", GuardBandFactor: 0.83},
		{Name: "guarded-non-binary", GuardBandFactor: 1}, {Name: "conformance-probability", Probability: 0.975}}
	for range 3000 {
		req := conformance.Requirement{
			Key: "x", Clause: "6.6.4", Quantity: "unwanted emission", Unit: "dBm", Upper: bound(-30), UpperTo: bound(-30 - 3*random.Float64()), ToleranceKnown: true,
			MeasurementBandwidth: 1e9, Frequencies: rf.Range{Low: 1e9, High: 6e9}, Side: conformance.UpperSide,
			MaxUncertainty: conformance.UncertaintySteps{{UpTo: 3.2e9, Value: 2 * random.Float64()}, {UpTo: 19e9, Value: 2 * random.Float64()}},
		}
		levels := make([]float64, 6)
		for i := range levels {
			levels[i] = -33 + 3*random.NormFloat64()
		}
		spans := []conformance.Span{{To: rf.Hertz(1.5e9 + 4e9*random.Float64()), Budget: budget(t, 0.1+2*random.Float64())}, {To: 6e9, Budget: budget(t, 0.1+2*random.Float64())}}
		rule := rules[random.IntN(len(rules))]
		before := 0
		for step := range 6 {
			reading := conformance.Reading{Key: "x", Spans: spans, Series: &conformance.Series{Frequencies: []float64{1e9, 2e9, 3e9, 4e9, 5e9, 6e9}, Levels: levels}}
			r, err := conformance.Judge([]conformance.Requirement{req}, []conformance.Reading{reading}, rule)
			if err != nil {
				t.Fatal(err)
			}
			now := grade[r[0].Verdict]
			if now < before || now == 0 {
				t.Fatalf("%s, step %d: %s after %d with %v, spans %+v", rule, step, r[0].Verdict, before, levels, spans)
			}
			before = now
			levels[random.IntN(6)] += random.ExpFloat64()
		}
	}
}
