package dsp

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"benchyard/instruments/rf"
)

// facts/metrology.md 4.6: flat noise gains 5.2288 dB from 30 to 100 kHz, 10 dB
// from 100 kHz to 1 MHz and 15.2288 dB from 30 kHz to 1 MHz. Closed form
// 10log(MBW/RBW) for a noise bandwidth equal to the RBW.
func TestIntegrateFlat(t *testing.T) {
	for _, c := range []struct{ rbw, wide, rounded float64 }{{30e3, 100e3, 5.2288}, {100e3, 1e6, 10}, {30e3, 1e6, 15.2288}} {
		s := flat(1e9, rf.Hertz(c.rbw/2), 400, -60)
		levels, err := Integrate(s, rf.Hertz(c.wide), Centres(rf.Range{Low: 1e9 + rf.Hertz(c.wide), High: 1e9 + rf.Hertz(c.wide+1.1e6)}, 17e3))
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range levels {
			near(t, "closed form", v+60, 10*math.Log10(c.wide/c.rbw), tolerance)
			near(t, "fact sheet", v+60, c.rounded, 5e-5)
		}
	}
}

// Beside a step of 100 dB integration and scaling part ways: a window half over
// the step holds half of the high density, 3.0103 dB under it.
func TestIntegrateAcrossStep(t *testing.T) {
	powers := make([]float64, 200)
	for i := range powers {
		powers[i] = 1e-10
		if i < 100 {
			powers[i] = 1
		}
	}
	s := spectrum(0.5e3, 1e3, powers) // bins from 0, the step at 100 kHz
	levels, err := Integrate(s, 20e3, []float64{50e3, 100e3, 150e3})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{20, 10*1e-10 + 10, 20e-10} {
		near(t, "window", levels[i], 10*math.Log10(want), tolerance)
	}
}

// Integration to a wide filter equals integration to narrow ones side by side,
// and to ChannelPower over the same window.
func TestIntegrateOfIntegrate(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 5))
	s := flat(1e9, 7e3, 4000, 0)
	for i := range s.Levels {
		s.Levels[i] = -90 + 60*random.Float64()
	}
	for range 40 {
		parts := 2 + random.IntN(6)
		narrow := 50e3 + 50e3*random.Float64()
		wide := narrow * float64(parts)
		centre := 1e9 + 2e6 + 20e6*random.Float64()
		centres := make([]float64, parts)
		for i := range centres {
			centres[i] = centre - wide/2 + (float64(i)+0.5)*narrow
		}
		pieces, err := Integrate(s, rf.Hertz(narrow), centres)
		if err != nil {
			t.Fatal(err)
		}
		whole, err := Integrate(s, rf.Hertz(wide), []float64{centre})
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, v := range pieces {
			sum += milliwatts(v)
		}
		near(t, "side by side", 10*math.Log10(sum), whole[0], tolerance)
		near(t, "channel power", power(t, s, rf.Hertz(centre-wide/2), rf.Hertz(centre+wide/2)), whole[0], tolerance)
	}
}

func TestIntegrateRefuses(t *testing.T) {
	s := flat(1e9, 10e3, 100, -50)
	if _, err := Integrate(s, 100e3, []float64{1e9 + 40e3}); !errors.Is(err, ErrCoverage) {
		t.Errorf("window under the trace: got %v, want ErrCoverage", err)
	}
	if _, err := Integrate(s, 19e3, []float64{1e9 + 500e3}); !errors.Is(err, ErrFewPoints) {
		t.Errorf("window of two steps: got %v, want ErrFewPoints", err)
	}
	if _, err := Integrate(s, 100e3, []float64{math.NaN()}); err == nil {
		t.Error("a centre that is not a number was taken")
	}
	s.Levels[0], s.Levels[1] = 700, 699.3 // 750 dB over the rest: nothing is left of the window
	if v, err := Integrate(s, 100e3, []float64{1e9 + 500e3}); err == nil {
		t.Errorf("a window lost in rounding gave %v", v)
	}
}

func TestCentres(t *testing.T) {
	got := Centres(rf.Range{Low: 10, High: 20}, 3)
	want := []float64{10, 12.5, 15, 17.5, 20}
	if len(got) != len(want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	for i := range want {
		near(t, "centre", got[i], want[i], 0)
	}
	if one := Centres(rf.Range{Low: 10, High: 10}, 3); len(one) != 1 || one[0] != 10 {
		t.Errorf("a range of one frequency gave %v", one)
	}
	if ten := Centres(rf.Range{Low: 0.1, High: 1.1}, 0.1); len(ten) != 11 {
		t.Errorf("a whole number of steps gave %d centres, want 11", len(ten))
	}
}

func TestPeak(t *testing.T) {
	s := flat(100, 10, 11, -80)
	s.Levels[2], s.Levels[7] = -10, -20
	f, level, err := Peak(s, rf.Range{Low: 125, High: 190})
	if err != nil || f != 170 || level != -20 {
		t.Errorf("got %s at %s (%v), want -20 dBm at 170 Hz", level, f, err)
	}
	if _, _, err := Peak(s, rf.Range{Low: 125, High: 129}); !errors.Is(err, ErrCoverage) {
		t.Errorf("range between two points: got %v, want ErrCoverage", err)
	}
	s.Levels[0] = math.NaN()
	if _, _, err := Peak(s, rf.Range{Low: 100, High: 200}); err == nil {
		t.Error("NaN was taken")
	}
}
