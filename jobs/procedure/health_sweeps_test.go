package procedure

import (
	"fmt"
	"math"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Flatness is the greatest power less the least, wherever they stand.
func TestFlatnessIsTheRangeOfThePowers(t *testing.T) {
	ripple := []float64{0.2, -0.7, 0.1, 0.9, 0.4} // dB: 1.6 between the fourth and the second
	for _, k := range kinds() {
		t.Run(k.name, func(t *testing.T) {
			s := k.healthSetup(t, conformance.Health{Places: len(ripple), Flatness: decibels(1.5)})
			var at []rf.Hertz
			traces := healthTraces(t, s, conformance.FlatnessClause, func(p Planned) []tone {
				power := float64(s.Subject.CarrierPower()) - 6 + ripple[len(at)]
				at = append(at, p.Stage.at(1))
				return []tone{{p.Stage.at(1), power}}
			})
			r := values(t, s, conformance.FlatnessClause, traces)["flatness"]
			near(t, "flatness", r.Value, 1.6, 0.001)
			near(t, "least power at", float64(r.At), float64(at[1]), 1)
			near(t, "least power", r.CarrierPower, float64(s.Subject.CarrierPower())-6.7, 0.001)
			refused(t, s, conformance.FlatnessClause, traces[1:], `there is no trace "place/1"`)
		})
	}
}

// A channel that fits at one place only has no tuning range.
func TestFlatnessNeedsATuningRange(t *testing.T) {
	s := kinds()[0].healthSetup(t, conformance.Health{Flatness: decibels(1)})
	carrier, err := conformance.Place("n51", "M", 5e6, 15e3) // 1427 to 1432 MHz: TS 38.104 T5.2-1
	must(t, err)
	s.Subject.Carrier = carrier
	if _, err := Plan(conformance.FlatnessClause, s); err == nil {
		t.Error("a channel as wide as its band was planned over the tuning range")
	}
}

// linearity analyzes powers that lie above rated power less 6 dB by what power
// says of the attenuation.
func linearity(t *testing.T, power func(a float64) float64) map[string]conformance.Reading {
	t.Helper()
	s := kinds()[0].healthSetup(t, conformance.Health{Attenuation: 20, Step: 4, SlopeError: 0.05, Deviation: decibels(0.5)})
	s.Accuracy.Level = 0.4
	return values(t, s, conformance.LinearityClause, healthTraces(t, s, conformance.LinearityClause, func(p Planned) []tone {
		return []tone{{p.Stage.at(1), float64(s.Subject.CarrierPower()) - 6 + power(float64(p.Stage.Attenuation))}}
	}))
}

// The straight line of least squares through six points 4 dB apart. Their places
// about the mean are 2, 6 and 10 dB to either side: the sum of squares is 280.
func TestLinearityIsTheStraightLine(t *testing.T) {
	straight := linearity(t, func(a float64) float64 { return 0.3 - 0.97*a })
	near(t, "slope", straight["slope"].Value, 0.97, 1e-5)
	near(t, "deviation", straight["deviation"].Value, 0, 1e-4)
	near(t, "uncertainty of the slope", straight["slope"].Uncertainty, 0.4/math.Sqrt(280), 1e-9)
	near(t, "uncertainty of the deviation", straight["deviation"].Uncertainty, 0.4, 1e-9)

	// A parabola about the mean leaves the slope alone; the ends lie 100 - 140/3
	// times its factor above the line.
	bent := linearity(t, func(a float64) float64 { return -a + 0.005*(a-10)*(a-10) })
	near(t, "slope of a parabola", bent["slope"].Value, 1, 1e-5)
	near(t, "deviation of a parabola", bent["deviation"].Value, 0.005*(100-140.0/3), 1e-4)
}

// outputTraces takes carriers whose leakage ratio grows by 2 dB per decibel of
// attenuation, as that of third order does (waveform facts 5.3), at so many watts
// from the supply.
func outputTraces(t *testing.T, s Setup, below, watts float64) []Trace {
	t.Helper()
	planned, err := Plan(conformance.OutputClause, s)
	must(t, err)
	var traces []Trace
	for _, p := range planned {
		a := float64(p.Stage.Attenuation)
		f := source(s, 45+2*a)
		for i := range f.bands {
			f.bands[i].power -= a + below
		}
		some, err := Acquire(t.Context(), f, []Planned{p})
		must(t, err)
		if watts > 0 {
			some[0].Unit = &conformance.Observation{Volts: 48, Amps: watts / 48}
		}
		traces = append(traces, some...)
	}
	return traces
}

// The least leakage ratio is that at full power; efficiency is mean output over
// supply power: 46 dBm are 39.81 W all the time, 37 dBm are 5.012 W for 7 slots
// and 6 symbols of 10 slots (TS 38.141-1 T4.9.2.2-1, 30 kHz).
func TestOutputSweep(t *testing.T) {
	for i, want := range []float64{100 * 5.012 * (7 + 6.0/14) / 10 / 100, 100 * 39.81 / 100} {
		k := kinds()[i]
		t.Run(k.name, func(t *testing.T) {
			s := k.healthSetup(t, conformance.Health{LeakageRatio: decibels(40), Efficiency: 2})
			got := values(t, s, conformance.OutputClause, outputTraces(t, s, 0, 100))
			near(t, "leakage ratio", got["leakage ratio"].Value, 45, 0.05)
			near(t, "efficiency", got["efficiency"].Value, want, want/500)
			near(t, "output power", got["efficiency"].CarrierPower, float64(s.Subject.RatedPower), 0.01)
			// A decibel is 23 % of a power: 2 sigma of the path move the efficiency by that much.
			path := math.Ln10 / 10 * float64(s.Correction[1].Uncertainty)
			if u := got["efficiency"].Uncertainty / want; !(u > 0.9*path && u < 1.3*path) {
				t.Errorf("uncertainty of the efficiency is %.3f of it, the path alone gives %.3f", u, path)
			}
		})
	}
}

// Without a carrier or without what the unit takes there is no figure.
func TestOutputSweepRefuses(t *testing.T) {
	s := kinds()[0].healthSetup(t, conformance.Health{LeakageRatio: decibels(40), Efficiency: 2})
	refused(t, s, conformance.OutputClause, outputTraces(t, s, 16, 100), "no carrier arrives; look at cable, switch and unit")
	refused(t, s, conformance.OutputClause, outputTraces(t, s, 0, 0), "the unit was not asked for its supply, or has none")
	traces := outputTraces(t, s, 0, 100)
	refused(t, s, conformance.OutputClause, traces[:3], fmt.Sprintf("there is no trace %q", attenuationRole(9)))
	traces[0].Sweep.Gate = nil
	refused(t, s, conformance.OutputClause, traces, "of a TDD carrier was taken without a gate")
}
