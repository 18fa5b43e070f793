package dsp

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"benchyard/instruments/rf"
)

// tolerance for closed forms, in dB or in the unit the line names: what the
// accuracy promise of this package is.
const tolerance = 1e-9

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: got %.12g, want %.12g within %g", what, got, want, tol)
	}
}

func flat(start, step rf.Hertz, n int, level float64) rf.Spectrum {
	s := rf.Spectrum{Start: start, Step: step, RBW: 2 * step, Levels: make([]float64, n)}
	for i := range s.Levels {
		s.Levels[i] = level
	}
	return s
}

// Flat -20 dBm through RBW 100 kHz over 98.28 MHz. Expected values: the closed
// form -20 + 10log(CHBW/(RBW*kn)); its rounded values 9.92465, 9.68801 and
// 9.40156 dBm stand in facts/metrology.md 4.5. The edges miss the 50 kHz grid.
func TestChannelPowerFlat(t *testing.T) {
	const width = 98.28e6
	for kn, rounded := range map[float64]float64{1: 9.92465, 1.056: 9.68801, 1.128: 9.40156} {
		s := flat(3.5e9, 50e3, 2400, -20)
		s.RBW, s.NoiseBandwidth = 100e3, rf.Hertz(kn*100e3)
		got, err := ChannelPower(s, rf.Range{Low: 3.5e9 + 1.2345e6, High: 3.5e9 + 1.2345e6 + width})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "closed form", float64(got), -20+10*math.Log10(width/(100e3*kn)), tolerance)
		near(t, "fact sheet", float64(got), rounded, 6e-6)
	}
}

// facts/metrology.md 4.5: five points, CHBW 5 MHz, RBW 1 MHz: -9.13640 dBm for
// kn = 1 and -9.37304 for 1.056; the mean of decibels, -15.0103, is wrong.
func TestChannelPowerFivePoints(t *testing.T) {
	levels := []float64{-30, -20, -10, -20, -30}
	mean := (2*1e-3 + 2*1e-2 + 1e-1) / 5
	for kn, rounded := range map[float64]float64{1: -9.13640, 1.056: -9.37304} {
		s := rf.Spectrum{Start: 100e6, Step: 1e6, RBW: 1e6, NoiseBandwidth: rf.Hertz(kn * 1e6), Levels: levels}
		got, err := ChannelPower(s, rf.Range{Low: 99.5e6, High: 104.5e6})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "closed form", float64(got), 10*math.Log10(mean*5/kn), tolerance)
		near(t, "fact sheet", float64(got), rounded, 6e-6)
	}
}

// A line through a Gaussian filter, points at half the RBW, keeps its power
// wherever it falls between two points: the sampled Gaussian sums to its
// integral (Poisson summation; the first alias is 1e-6 at this spacing).
func TestChannelPowerLine(t *testing.T) {
	const rbw, step = 30e3, 15e3
	for _, shift := range []float64{0, 0.13, 0.5, 0.77} {
		s := line(1e9, step, 401, rbw, 1e9+200*step+shift*step, -7.25)
		got, err := ChannelPower(s, rf.Range{Low: 1e9 + 50*step, High: 1e9 + 350*step})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "line", float64(got), -7.25, 1e-5)
	}
}

// line draws a CW line through a Gaussian filter, facts/metrology.md 4.3: noise
// bandwidth sqrt(pi/(4 ln2)) times the 3 dB bandwidth.
func line(start, step rf.Hertz, n int, rbw, at, dbm float64) rf.Spectrum {
	s := rf.Spectrum{Start: start, Step: step, RBW: rf.Hertz(rbw), NoiseBandwidth: rf.Hertz(rbw * math.Sqrt(math.Pi/(4*math.Ln2))), Levels: make([]float64, n)}
	for i := range s.Levels {
		x := 2 * (float64(s.Frequency(i)) - at) / rbw
		s.Levels[i] = max(dbm-10*math.Log10(2)*x*x, -200)
	}
	return s
}

// facts/metrology.md 4.6: 46.02 dBm own, -0.53 dBm adjacent gives 46.55 dB.
func TestLeakageRatio(t *testing.T) {
	s := flat(2.1e9, 50e3, 2001, 0)
	s.RBW = 100e3
	own := rf.Range{Low: 2.1e9 + 40e6, High: 2.1e9 + 60e6}
	adjacent := rf.Range{Low: 2.1e9 + 60e6, High: 2.1e9 + 80e6}
	per := 10 * math.Log10(20e6/100e3)
	for i := range s.Levels {
		s.Levels[i] = -0.53 - per
		if f := s.Frequency(i); f >= own.Low && f < own.High {
			s.Levels[i] = 46.02 - per
		}
	}
	own.Low, own.High = own.Low-25e3, own.High-25e3 // bins, not points, bound the step
	adjacent.Low, adjacent.High = adjacent.Low-25e3, adjacent.High-25e3
	ratio, carrier, err := LeakageRatio(s, own, adjacent)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "carrier", float64(carrier), 46.02, tolerance)
	near(t, "ratio", float64(ratio), 46.55, tolerance)
	if _, _, err := LeakageRatio(s, own, rf.Range{Low: 2.0e9, High: 2.01e9}); !errors.Is(err, ErrCoverage) {
		t.Errorf("adjacent channel outside the trace: got %v, want ErrCoverage", err)
	}
}

// facts/metrology.md 2.4: 0, 3 and 6 dBm average to 3.66506 dBm in power.
func TestAverage(t *testing.T) {
	a, b, c := flat(1e9, 1e3, 2, 0), flat(1e9, 1e3, 2, 3), flat(1e9, 1e3, 2, 6)
	got, err := Average(a, b, c)
	if err != nil {
		t.Fatal(err)
	}
	want := 10 * math.Log10((1+math.Pow(10, 0.3)+math.Pow(10, 0.6))/3)
	near(t, "closed form", got.Levels[1], want, tolerance)
	near(t, "fact sheet", got.Levels[0], 3.66506, 6e-6)
	if a.Levels[0] != 0 {
		t.Error("the first trace was changed")
	}
	c.Start += 1
	if _, err := Average(a, c); err == nil {
		t.Error("traces on other points were averaged")
	}
	if _, err := Average(); err == nil {
		t.Error("no traces gave an average")
	}
}

// Power does not change when the same density is cut into other bins, nor when
// a range is cut in two.
func TestPowerIsConserved(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	for range 50 {
		coarse := flat(1e9, 90e3, 40+random.IntN(200), 0)
		for i := range coarse.Levels {
			coarse.Levels[i] = -120 + 110*random.Float64()
		}
		parts := 2 + random.IntN(7)
		fine := regrid(coarse, parts)
		r := reach(coarse)
		low := r.Low + r.Width()*rf.Hertz(0.3*random.Float64())
		high := low + r.Width()*rf.Hertz(0.4+0.25*random.Float64())
		cut := low + (high-low)*rf.Hertz(0.45+0.1*random.Float64())
		whole := power(t, coarse, low, high)
		near(t, "other grid", power(t, fine, low, high), whole, tolerance)
		sum := rf.DBm(power(t, coarse, low, cut)).Milliwatts() + rf.DBm(power(t, coarse, cut, high)).Milliwatts()
		near(t, "two parts", float64(rf.FromMilliwatts(sum)), whole, tolerance)
	}
}

// regrid cuts every bin of s into equal parts.
func regrid(s rf.Spectrum, parts int) rf.Spectrum {
	out := s
	out.Step = s.Step / rf.Hertz(parts)
	out.Start = s.Start - s.Step/2 + out.Step/2
	out.Levels = nil
	for _, v := range s.Levels {
		for range parts {
			out.Levels = append(out.Levels, v)
		}
	}
	return out
}

func power(t *testing.T, s rf.Spectrum, low, high rf.Hertz) float64 {
	t.Helper()
	p, err := ChannelPower(s, rf.Range{Low: low, High: high})
	if err != nil {
		t.Fatal(err)
	}
	return float64(p)
}

func TestChannelPowerRefuses(t *testing.T) {
	good := flat(1e9, 1e5, 101, -30)
	inside := rf.Range{Low: 1e9 + 1e6, High: 1e9 + 3e6}
	broken := func(v float64) rf.Spectrum {
		s := flat(1e9, 1e5, 101, -30)
		s.Levels[50] = v
		return s
	}
	cases := []struct {
		name string
		s    rf.Spectrum
		r    rf.Range
		want error // nil: any
	}{
		{"not a number", broken(math.NaN()), inside, nil},
		{"special number", broken(9.91e37), inside, nil},
		{"infinity", broken(math.Inf(-1)), inside, nil},
		{"impossible level", broken(1e6), inside, nil},
		{"no points", rf.Spectrum{Start: 1e9, Step: 1e5, RBW: 1e5}, inside, nil},
		{"below the trace", good, rf.Range{Low: 1e9 - 1e6, High: 1e9 + 1e6}, ErrCoverage},
		{"above the trace", good, rf.Range{Low: 1e9 + 9e6, High: 1e9 + 10.2e6}, ErrCoverage},
		{"four points", good, rf.Range{Low: 1e9 + 0.95e6, High: 1e9 + 1.35e6}, ErrFewPoints},
		{"empty", good, rf.Range{Low: 1e9 + 1e6, High: 1e9 + 1e6}, nil},
		{"not a number as edge", good, rf.Range{Low: 1e9, High: rf.Hertz(math.NaN())}, nil},
	}
	for _, c := range cases {
		p, err := ChannelPower(c.s, c.r)
		if err == nil {
			t.Errorf("%s: got %s, want an error", c.name, p)
		} else if c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%s: got %v, want %v", c.name, err, c.want)
		}
	}
}
