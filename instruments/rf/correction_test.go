package rf

import (
	"math"
	"math/rand/v2"
	"testing"
)

func table() Correction {
	return Correction{{1e9, 40, 0.2}, {2e9, 41, 0.3}, {4e9, 40.5, 0.25}}
}

func TestCorrectionAt(t *testing.T) {
	for _, c := range []struct {
		f       Hertz
		loss, u DB
	}{
		{1e9, 40, 0.2}, {1.25e9, 40.25, 0.3}, {2e9, 41, 0.3}, {3e9, 40.75, 0.3}, {4e9, 40.5, 0.25},
	} {
		loss, u, err := table().At(c.f)
		if err != nil || math.Abs(float64(loss-c.loss)) > 1e-12 || u != c.u {
			t.Errorf("%s: got %s and %s (%v), want %s and %s", c.f, loss, u, err, c.loss, c.u)
		}
	}
}

// A table never answers outside its rows, however close (facts: linear in dB
// between calibration points, never extrapolated).
func TestCorrectionNeverExtrapolates(t *testing.T) {
	for _, f := range []Hertz{1e9 - 0.001, 4e9 + 0.001, 0, -1, Hertz(math.Inf(1)), Hertz(math.NaN())} {
		if loss, _, err := table().At(f); err == nil {
			t.Errorf("At(%v) gave %s", float64(f), loss)
		}
	}
	if loss, _, err := (Correction{}).At(0); err == nil {
		t.Errorf("an empty table gave %s", loss)
	}
	for _, r := range []Range{{0.9e9, 2e9}, {2e9, 4.1e9}, {5e9, 6e9}} {
		if least, err := table().Least(r); err == nil {
			t.Errorf("Least(%v) gave %s", r, least)
		}
	}
	for _, s := range []Spectrum{
		{Start: 0.999e9, Step: 1e6, Levels: make([]float64, 10)},
		{Start: 3.999e9, Step: 1e6, Levels: make([]float64, 3)},
	} {
		if _, err := table().Apply(s); err == nil {
			t.Errorf("Apply to a trace from %s to %s was done", s.Start, s.Stop())
		}
	}
}

func TestCorrectionLeast(t *testing.T) {
	dip := Correction{{1e9, 40, 0}, {2e9, 38, 0}, {3e9, 42, 0}}
	for _, c := range []struct {
		r    Range
		want DB
	}{{Range{1e9, 3e9}, 38}, {Range{1.2e9, 1.4e9}, 39.2}, {Range{2.5e9, 3e9}, 40}, {Range{1.5e9, 1.5e9}, 39}} {
		got, err := dip.Least(c.r)
		if err != nil || math.Abs(float64(got-c.want)) > 1e-12 {
			t.Errorf("%v: got %s (%v), want %s", c.r, got, err, c.want)
		}
	}
}

// Apply agrees with At at every point of any trace, and changes no input.
func TestCorrectionApply(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 100 {
		c := Correction{{Frequency: 1e9, Loss: 40}}
		for len(c) < 2+random.IntN(20) {
			c = append(c, CorrectionPoint{Frequency: c[len(c)-1].Frequency + Hertz(1+random.IntN(1e8)), Loss: DB(40 * random.Float64())})
		}
		n := 2 + random.IntN(300)
		s := Spectrum{Start: 1e9, Step: c.Range().Width() / Hertz(n) * Hertz(0.9*random.Float64()+0.05), Levels: make([]float64, n)}
		got, err := c.Apply(s)
		if err != nil {
			t.Fatal(err)
		}
		for i := range s.Levels {
			want, _, err := c.At(s.Frequency(i))
			if err != nil || math.Abs(got.Levels[i]-float64(want)) > 1e-9 {
				t.Fatalf("point %d at %s: got %v, want %s (%v)", i, s.Frequency(i), got.Levels[i], want, err)
			}
			if s.Levels[i] != 0 {
				t.Fatal("the input was changed")
			}
		}
	}
}

// 9 kHz to 12.75 GHz in 25500 steps ends 2 microhertz above 12.75 GHz, by
// binary arithmetic alone; a table that ends there still holds.
func TestCorrectionApplyToComputedEnd(t *testing.T) {
	c := Correction{{9e3, 40, 0.2}, {12.75e9, 42, 0.2}}
	for n := 25000; n < 25600; n++ {
		s := Spectrum{Start: 9e3, Step: (12.75e9 - 9e3) / Hertz(n), Levels: make([]float64, n+1)}
		got, err := c.Apply(s)
		if err != nil {
			t.Fatalf("%d steps: %v", n, err)
		}
		if last := got.Levels[n]; math.Abs(last-42) > 1e-9 {
			t.Fatalf("%d steps: the last point is raised by %v, want 42", n, last)
		}
	}
}

func TestCorrectionOfOneRow(t *testing.T) {
	one := Correction{{Frequency: 1e9, Loss: 40, Uncertainty: 0.1}}
	if loss, u, err := one.At(1e9); err != nil || loss != 40 || u != 0.1 {
		t.Errorf("got %s, %s, %v", loss, u, err)
	}
	if _, _, err := one.At(1e9 + 1); err == nil {
		t.Error("a table of one row answered beside it")
	}
}

func TestCorrectionValidate(t *testing.T) {
	if err := table().Validate(); err != nil {
		t.Error(err)
	}
	for name, c := range map[string]Correction{
		"empty":        {},
		"falling":      {{2e9, 40, 0}, {1e9, 40, 0}},
		"repeated":     {{1e9, 40, 0}, {1e9, 41, 0}},
		"no frequency": {{Hertz(math.NaN()), 40, 0}, {1e9, 41, 0}},
		"no loss":      {{1e9, DB(math.NaN()), 0}, {2e9, 41, 0}},
		"endless loss": {{1e9, 40, 0}, {2e9, DB(math.Inf(1)), 0}},
		"negative u":   {{1e9, 40, -0.1}, {2e9, 40, 0.1}},
	} {
		if err := c.Validate(); err == nil {
			t.Errorf("%s: was taken", name)
		}
	}
}
