package sim

import (
	"math"
	"math/rand/v2"
	"testing"
)

// still are averages so many that a trace shows its means: scatter below 1e-5 dB.
const still = 1 << 40

func trace(s settings, e *emission) []float64 {
	return render(s, scene{emission: e, floor: milliwatts(-158)}, rand.New(rand.NewPCG(1, 2)))
}

// A tone shows the filter: its own level at its frequency, 3.01 dB less half a
// resolution bandwidth away, 12.04 dB less one bandwidth away (Gaussian).
func TestRenderLineShowsTheFilter(t *testing.T) {
	s := settings{start: 1e9, stop: 1.001e9, rbw: 20e3, points: 1001, averages: still}
	got := trace(s, &emission{lines: []line{{1.0005e9, milliwatts(-30)}}})
	near(t, "level of the tone", got[500], -30, 1e-3)
	for _, side := range []int{-1, 1} {
		near(t, "half a bandwidth away", got[500+side*10], -30-10*math.Log10(2), 1e-3)
		near(t, "one bandwidth away", got[500+side*20], -30-40*math.Log10(2), 2e-3)
	}
	near(t, "far away", got[10], -158+10*math.Log10(1.0644670*20e3), 1e-3)
}

// A flat band shows its density times the filter's noise bandwidth, half of it
// on its edges. Marker level of 44 dBm over 98.28 MHz in 30 kHz: metrology facts
// 4.4 has +9.083 dBm for a noise bandwidth factor of 1.056.
func TestRenderFlatBand(t *testing.T) {
	s := settings{start: 3.45e9, stop: 3.55e9, rbw: 30e3, points: 10001, averages: still}
	e := &emission{shapes: []shape{{1, 3.5e9, 98.28e6, milliwatts(44)}}}
	got := trace(s, e)
	near(t, "in the band", got[5000], 9.083+10*math.Log10(1.064467/1.056), 1e-3)
	edge := int(math.Round((50e6 - 49.14e6) / 10e3))
	near(t, "on the edge", got[edge], got[5000]-10*math.Log10(2), 1e-3)
	sum := 0.0
	for _, level := range got {
		sum += milliwatts(level)
	}
	near(t, "channel power of the trace", decibels(sum*10e3/(noiseFactor*30e3)), 44, 1e-3)
}

// Trace power summed over a channel equals the closed form of every shape.
func TestRenderSumsToTheClosedForm(t *testing.T) {
	e := &emission{
		shapes: []shape{{3, 3.5e9, 98.28e6, 1}, {5, 3.5e9, 98.28e6, 0.5}, {2, 3.5e9, 98.28e6, 0.3}},
		noise:  noise{1e-9, 3.3e9, 3.8e9},
	}
	s := settings{start: 3.4e9, stop: 3.7e9, rbw: 100e3, points: 12001, averages: still}
	sum := 0.0
	for i, level := range trace(s, e) {
		weight := 1.0
		if i == 0 || i == s.points-1 {
			weight = 0.5
		}
		sum += weight * milliwatts(level)
	}
	got := sum * 25e3 / (noiseFactor * 100e3)
	near(t, "power in dB", decibels(got/e.between(3.4e9, 3.7e9)), 0, 1e-3)
}

// Mean 1 and variance 1/shape of the scatter, within four standard errors; the
// variance of a gamma sample variance is (2 + 6/shape)/n relative.
func TestDetectorStatistics(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n = 200000
	for _, shape := range []float64{1, 1.7, 4, 7.99, 8, 20, 500} {
		sum, squares := 0.0, 0.0
		for range n {
			x := gamma(r, shape)
			sum += x
			squares += (x - 1) * (x - 1)
		}
		near(t, "mean", sum/n, 1, 4/math.Sqrt(n*shape))
		near(t, "variance times shape", squares/n*shape, 1, 4*math.Sqrt((2+6/shape)/n))
	}
}

// The positive peak of noise reads high by H_N: 4.667 dB for 10 independent
// samples (metrology facts 4.4).
func TestPeakDetectorReadsHigh(t *testing.T) {
	near(t, "10 log H_10", decibels(harmonic(10)), 4.667, 1e-3)
	near(t, "10 log H_2", decibels(harmonic(2)), 1.761, 2e-3)
	s := settings{start: 1e9, stop: 1.1e9, rbw: 100e3, points: 1000, averages: still, detector: "POS"}
	s.sweepTime = 10 / s.rbw * float64(s.points)
	base := -158 + decibels(noiseFactor*100e3)
	near(t, "trace", trace(s, nil)[17]-base, 10*math.Log10(7381.0/2520), 1e-3) // H_10 = 7381/2520
}

// Least sweep times of metrology facts 4.10 for k = 2.5.
func TestSweepTime(t *testing.T) {
	for _, c := range []struct{ span, rbw, want, digit float64 }{
		{100e6, 100e3, 25.0e-3, 0.05e-3}, {100e6, 30e3, 277.8e-3, 0.05e-3}, {1e9, 100e3, 0.250, 0.5e-3},
		{12.75e9, 1e6, 31.9e-3, 0.05e-3}, {60e6, 30e3, 166.7e-3, 0.05e-3},
	} {
		s := settings{start: 1e9, stop: 1e9 + c.span, rbw: c.rbw, points: 1001, averages: 3}
		near(t, "coupled", s.time(), c.want, c.digit)
		s.sweepTime = c.want / 10
		near(t, "set too short", s.time(), c.want, c.digit)
		s.sweepTime = 2
		near(t, "set", s.time(), 2, 0)
		near(t, "three averages", s.duration(5e-3), 6, 1e-12)
		s.gated, s.gateLength = true, 2.5e-3
		near(t, "gated half of the period", s.duration(5e-3), 12, 1e-12)
	}
}

// A burst on for 3.714583 of 5 ms has duty 0.743, -1.290 dB (metrology facts
// 4.1). Slow ungated sweeps read that, fast ones alternate, gated ones read all.
func TestRenderBursts(t *testing.T) {
	b := burst{5e-3, 3.714583e-3}
	e := &emission{shapes: []shape{{1, 3.5e9, 200e6, 1e3}}, idle: milliwatts(-150)}
	s := settings{start: 3.45e9, stop: 3.55e9, rbw: 1e6, points: 501, averages: 4000}
	full := decibels(1e3 / 200e6 * noiseFactor * 1e6)
	mean := func(s settings) float64 {
		sum := 0.0
		for _, level := range render(s, scene{emission: e, burst: b, floor: milliwatts(-158)}, rand.New(rand.NewPCG(5, 6))) {
			sum += milliwatts(level)
		}
		return decibels(sum / float64(s.points))
	}
	s.sweepTime = float64(s.points) * 50e-3
	near(t, "ungated, dwell of ten periods", mean(s)-full, -1.290, 0.01)
	s.gated, s.gateLength = true, 3.7e-3
	near(t, "gated inside", mean(s)-full, 0, 0.01)
	s.gateDelay, s.gateLength = 2e-3, 3e-3
	near(t, "gate over the end", mean(s)-full, decibels(1.714583/3), 0.01)
	s.gated, s.averages, s.sweepTime = false, 1, float64(s.points)*0.1e-3
	high, low := 0, 0
	for _, level := range render(s, scene{emission: e, burst: b, floor: milliwatts(-158)}, rand.New(rand.NewPCG(7, 8))) {
		if level > full-20 {
			high++
		} else {
			low++
		}
	}
	near(t, "share of points that meet the burst", float64(high)/float64(high+low), 0.743, 0.05)
}

func TestBurstTime(t *testing.T) {
	b := burst{5, 3}
	for _, c := range []struct{ from, to, want float64 }{
		{0, 3, 3}, {0, 5, 3}, {3, 5, 0}, {4, 6, 1}, {-1, 1, 1}, {-3, 0, 1}, {2, 12, 6}, {7.5, 7.5, 0},
	} {
		near(t, "on time", b.onTime(c.from, c.to), c.want, 1e-12)
	}
}

// BenchmarkRender is one emission sweep of 36 000 points across a carrier with
// everything a unit transmits.
func BenchmarkRender(b *testing.B) {
	e := &emission{
		shapes: []shape{{1, 3.55e9, 98.28e6, 5e3}, {3, 3.55e9, 98.28e6, 1}, {5, 3.55e9, 98.28e6, 0.1}, {2, 7.1e9, 98.28e6, 1e-3}},
		lines:  []line{{3.27e9, 0.01}}, noise: noise{1e-10, 3.3e9, 3.8e9}, idle: 1e-15,
	}
	s := settings{start: 3.26e9, stop: 3.84e9, rbw: 30e3, points: 36000, averages: 10, gated: true, gateLength: 3.7e-3}
	sc := scene{emission: e, path: path{pad: 40}, burst: burst{5e-3, 3.7146e-3}, floor: milliwatts(-154)}
	r := rand.New(rand.NewPCG(1, 2))
	b.ReportAllocs()
	for b.Loop() {
		render(s, sc, r)
	}
}
