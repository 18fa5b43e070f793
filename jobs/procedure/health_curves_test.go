package procedure

import (
	"math"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// curves returns the curves of a clause, each of them with as many places as values.
func curves(t *testing.T, s Setup, clause string, traces []Trace) []Curve {
	t.Helper()
	list, err := Curves(clause, s, traces)
	must(t, err)
	for _, c := range list {
		if len(c.X) == 0 || len(c.X) != len(c.Y) || c.Title == "" || c.XName == "" || c.XUnit == "" || c.YName == "" || c.YUnit == "" {
			t.Errorf("%d places, %d values: %+v", len(c.X), len(c.Y), c)
		}
	}
	return list
}

// The levels of a settling product are those of the exponential it was made from,
// in the middle of each sweep, under the limit that holds after it.
func TestSettlingCurves(t *testing.T) {
	s := settlingSetup(t)
	leakage, image := falling{-40, -55, 1.5}, falling{-44, -62, 1}
	list := curves(t, s, conformance.ToneClause, settlingTraces(t, s, image, leakage, 60))
	if len(list) != 3 || !list[2].Lines {
		t.Fatalf("%d curves, want those of leakage and image, and the lines after them", len(list))
	}
	for i, f := range []falling{leakage, image} {
		c := list[i]
		for _, n := range []int{0, 10, 59} {
			at := 0.1*float64(n) + 0.05
			near(t, "time", c.X[n], at, 1e-9)
			near(t, c.Title, c.Y[n], f.at(at), 0.01)
		}
		if c.XUnit != "s" || !strings.Contains(c.XName, conformance.RadioUnitClock) || *c.Upper != []float64{-45, -50}[i] {
			t.Errorf("%+v", c)
		}
	}
}

// The lines before and after tracking stand at their offsets, each under its own limit:
// those of a modulator with an offset of a hundredth and a cubic of a tenth on its
// rails (waveform facts 5.2).
func TestLineCurves(t *testing.T) {
	s := kinds()[0].healthSetup(t, conformance.Health{
		Before: &conformance.Lines{Leakage: decibels(-30)}, After: &conformance.Lines{Image: decibels(-50), Third: decibels(-45)},
	})
	power := float64(s.Subject.CarrierPower()) - 6
	list := curves(t, s, conformance.ToneClause, healthTraces(t, s, conformance.ToneClause, func(p Planned) []tone {
		if p.Stage.Calibration == Untracked {
			return modulator{offset: 0.01}.lines(p.Stage, power)
		}
		return modulator{cubic: -0.1}.lines(p.Stage, power)
	}))
	if len(list) != 2 || list[0].Title != "Tone and products before tracking" || list[1].Title != "Tone and products after tracking" {
		t.Fatalf("%+v", list)
	}
	for i, want := range [][]float64{{0, -40, -75, -75}, {0, -75, -75, -31.36}} {
		c := list[i]
		for n, offset := range []float64{10, 0, -10, -30} { // a tenth of 100 MHz
			near(t, "offset", c.X[n], offset, 1e-9)
			if want[n] > -75 {
				near(t, c.Title, c.Y[n], want[n], 0.01)
			} else if c.Y[n] > want[n] {
				t.Errorf("%s: %.2f dB at %g MHz, where nothing is", c.Title, c.Y[n], offset)
			}
		}
	}
	if m := list[0].Most; *m[1] != -30 || m[0] != nil || m[2] != nil || m[3] != nil {
		t.Errorf("limits before tracking: %v", m)
	}
	if m := list[1].Most; m[1] != nil || *m[2] != -50 || *m[3] != -45 {
		t.Errorf("limits after tracking: %v", m)
	}
}

// Flatness and linearity are drawn as they were made.
func TestCurvesOfPowers(t *testing.T) {
	s := kinds()[0].healthSetup(t, conformance.Health{Places: 3, Flatness: decibels(1), Attenuation: 8, Step: 4, Deviation: decibels(0.5)})
	power := float64(s.Subject.CarrierPower()) - 6
	at := func(p Planned) []tone {
		return []tone{{p.Stage.at(1), power + float64(p.Stage.at(1)-3.55*rf.Gigahertz)/1e9 - float64(p.Stage.Attenuation)}}
	}
	flat := curves(t, s, conformance.FlatnessClause, healthTraces(t, s, conformance.FlatnessClause, at))[0]
	for i, f := range flat.X { // a decibel per GHz; MHz
		near(t, "power over the tuning range", flat.Y[i], power+(f-3550)/1e3, 0.001)
	}
	near(t, "first place", flat.X[0], 3360, 0.1) // n78 from 3300 MHz (TS 38.104 T5.2-1), half a channel, a tenth of one
	list := curves(t, s, conformance.LinearityClause, healthTraces(t, s, conformance.LinearityClause, at))
	if len(list) != 2 || len(list[0].X) != 3 || *list[1].Lower != -0.5 || *list[1].Upper != 0.5 {
		t.Fatalf("%+v", list)
	}
	for i := range list[1].Y {
		near(t, "beside the line", list[1].Y[i], 0, 1e-4)
		near(t, "power against attenuation", list[0].Y[i]-list[0].Y[0], -4*float64(i), 1e-4)
	}
}

// Ratio, efficiency and supply power stand over the output power, also where the
// setup leaves the duplex mode to the band; without a supply there is the ratio alone.
func TestOutputCurves(t *testing.T) {
	s := kinds()[0].healthSetup(t, conformance.Health{LeakageRatio: decibels(40)})
	list := curves(t, s, conformance.OutputClause, outputTraces(t, s, 0, 100))
	if len(list) != 3 || *list[0].Lower != 40 {
		t.Fatalf("%+v", list)
	}
	for i, a := range []float64{0, 3, 6, 9} {
		near(t, "output power", list[0].X[i], 37-a, 0.02)
		near(t, "leakage ratio", list[0].Y[i], 45+2*a, 0.1)
		near(t, "efficiency", list[1].Y[i], math.Pow(10, (37-a)/10)/1000*(7+6.0/14)/10, 0.02) // watts of 100 W
		near(t, "supply power", list[2].Y[i], 100, 1e-9)
	}
	if alone := curves(t, s, conformance.OutputClause, outputTraces(t, s, 0, 0)); len(alone) != 1 {
		t.Errorf("%d curves of a unit that does not tell its supply", len(alone))
	}
	if none, err := Curves(conformance.OutputPowerClause, s, nil); none != nil || err != nil {
		t.Errorf("a clause of the standard has %d curves, %v", len(none), err)
	}
	if _, err := Curves(conformance.OutputClause, s, nil); err == nil {
		t.Error("curves without traces")
	}
}
