package dsp

import (
	"errors"
	"math"
	"testing"

	"benchyard/instruments/rf"
)

// spectrum makes a trace of bins with the given powers in milliwatts.
func spectrum(start, step rf.Hertz, powers []float64) rf.Spectrum {
	s := rf.Spectrum{Start: start, Step: step, RBW: step, Levels: make([]float64, len(powers))}
	for i, p := range powers {
		s.Levels[i] = max(10*math.Log10(p), -300)
	}
	return s
}

func occupied(t *testing.T, s rf.Spectrum) (bandwidth, low, high float64) {
	t.Helper()
	b, l, h, err := OccupiedBandwidth(s, 0.99)
	if err != nil {
		t.Fatal(err)
	}
	return float64(b), float64(l), float64(h)
}

// facts/metrology.md 4.7: 401 equal bins of 0.1 MHz give 0.99 x 40.1 = 39.699 MHz.
func TestOccupiedFlat(t *testing.T) {
	s := flat(2.1e9, 1e5, 401, -33)
	got, low, high := occupied(t, s)
	near(t, "width / MHz", got/1e6, 39.699, tolerance)
	near(t, "centre / MHz", (low+high)/2e6, 2100+20, tolerance)
}

// facts/metrology.md 4.7: a triangular density of base 60 gives 54.0, exactly.
// The bins meet the crossing at 3.0, so that the staircase is exact there.
func TestOccupiedTriangular(t *testing.T) {
	powers := make([]float64, 600)
	for i := range powers {
		f := 0.05 + 0.1*float64(i)
		powers[i] = min(f, 60-f)
	}
	got, low, _ := occupied(t, spectrum(0.05e6, 0.1e6, powers))
	near(t, "width / MHz", got/1e6, 54.0, tolerance)
	near(t, "low end / MHz", low/1e6, 3.0, tolerance)
}

// facts/metrology.md 4.7: a Gaussian density of sigma 5 gives 2*2.5758*sigma =
// 25.758. The bins hold the exact integrals and meet the 0.5 % points.
func TestOccupiedGaussian(t *testing.T) {
	const sigma, z = 5e6, 2.5758293035489004 // Phi(z) = 0.995
	const across = 500                       // bins between the two points
	step := 2 * z * sigma / across
	powers := make([]float64, 4*across)
	for i := range powers {
		low := (float64(i) - float64(len(powers))/2) * step
		powers[i] = integral(low/sigma, (low+step)/sigma)
	}
	got, _, _ := occupied(t, spectrum(rf.Hertz(2e9), rf.Hertz(step), powers))
	near(t, "closed form / MHz", got/1e6, 2*z*5, 2e-9)
	near(t, "fact sheet / MHz", got/1e6, 25.758, 5e-4)
}

// integral of the standard normal density from a to b, without cancellation in
// the tails.
func integral(a, b float64) float64 {
	if a > 0 {
		a, b = -b, -a
	}
	return (math.Erfc(-b/math.Sqrt2) - math.Erfc(-a/math.Sqrt2)) / 2
}

// facts/metrology.md 4.7: a flat block of 20.1 MHz in a span of 80.1 MHz gives
// 19.958 MHz over a floor 30 dB down and 59.40 MHz, wrong, over one 20 dB down.
// Closed forms by counting bins; Floor must tell the two from a clean one.
func TestOccupiedOverFloor(t *testing.T) {
	for _, c := range []struct{ down, want, rounded, share float64 }{
		{30, 20.1 - 2*(0.005*201.6-0.3)/10, 19.958, 0.801 / 201.6},
		{20, 80.1 - 2*0.005*207*10, 59.40, 8.01 / 207},
		{60, 20.1 - 2*(0.005*201.0006-0.0003)/10, 19.899, 0.000801 / 201.0006},
	} {
		powers := make([]float64, 801)
		for i := range powers {
			powers[i] = math.Pow(10, -c.down/10)
			if i >= 300 && i < 501 {
				powers[i] = 1
			}
		}
		s := spectrum(1e9, 1e5, powers)
		got, _, _ := occupied(t, s)
		near(t, "closed form / MHz", got/1e6, c.want, tolerance)
		near(t, "fact sheet / MHz", got/1e6, c.rounded, 6e-3)
		density, share, err := Floor(s)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "floor density / dBm per Hz", float64(density), -c.down-10*math.Log10(noiseBandwidth(s)), tolerance)
		near(t, "floor share", share, c.share, tolerance)
		if spoiled := share >= 1e-3; spoiled != (c.down < 40) {
			t.Errorf("floor %v dB down: share %v on the wrong side of 0.1 %%", c.down, share)
		}
	}
}

// Cutting every bin into parts, or lifting the whole trace, moves nothing.
func TestOccupiedDoesNotSeeTheGrid(t *testing.T) {
	powers := make([]float64, 300)
	for i := range powers {
		powers[i] = 1e-9 + math.Pow(math.Sin(float64(i)/300*math.Pi), 8)
	}
	s := spectrum(1e9, 1e5, powers)
	want, low, high := occupied(t, s)
	got, finerLow, finerHigh := occupied(t, regrid(s, 7))
	near(t, "finer width / MHz", got/1e6, want/1e6, 1e-8)
	near(t, "finer low / MHz", finerLow/1e6, low/1e6, 1e-8)
	near(t, "finer high / MHz", finerHigh/1e6, high/1e6, 1e-8)
	for i := range s.Levels {
		s.Levels[i] += 61.7
	}
	got, _, _ = occupied(t, s)
	near(t, "lifted width / MHz", got/1e6, want/1e6, tolerance)
}

func TestOccupiedRefuses(t *testing.T) {
	good := flat(1e9, 1e5, 201, -30)
	for _, share := range []float64{0, 1, -1, 2, math.NaN()} {
		if _, _, _, err := OccupiedBandwidth(good, share); err == nil {
			t.Errorf("share %v was taken", share)
		}
	}
	if _, _, _, err := OccupiedBandwidth(flat(1e9, 1e5, 4, 0), 0.99); !errors.Is(err, ErrFewPoints) {
		t.Errorf("four points: got %v, want ErrFewPoints", err)
	}
	if _, _, err := Floor(flat(1e9, 1e5, 99, 0)); !errors.Is(err, ErrFewPoints) {
		t.Errorf("floor of 99 points: got %v, want ErrFewPoints", err)
	}
	good.Levels[3] = math.NaN()
	if _, _, _, err := OccupiedBandwidth(good, 0.99); err == nil {
		t.Error("NaN was taken")
	}
	if _, _, err := Floor(good); err == nil {
		t.Error("NaN was taken by the floor")
	}
}
