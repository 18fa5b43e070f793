package sim

import (
	"math"
	"math/rand/v2"
)

// detector draws what averaging leaves of the scatter of a noise-like signal: a
// factor on its true mean power.
type detector struct {
	kind  string  // "RMS", "POS" or "SAMP"
	shape float64 // independent samples in one point: resolution bandwidth times dwell, times averages
	dwell float64 // independent samples in one sweep's point
	r     *rand.Rand
}

// factor draws one point. The mean of RMS and SAMP is 1; POS reads high by the
// mean of the greatest of its samples (metrology facts 4.4: H_N).
func (d *detector) factor() float64 {
	switch d.kind {
	case "POS":
		averages := d.shape / d.dwell
		return harmonic(d.dwell) * gamma(d.r, max(1, averages))
	case "SAMP":
		return gamma(d.r, max(1, d.shape/d.dwell))
	default:
		return gamma(d.r, d.shape)
	}
}

// harmonic returns H_n, the mean of the greatest of n exponential samples of
// mean 1, for n of at least 1 that need not be whole.
func harmonic(n float64) float64 {
	const euler = 0.57721566490153286
	if n <= 1 {
		return 1
	}
	return math.Log(n) + euler + 1/(2*n) - 1/(12*n*n)
}

// exactBelow is the shape below which gamma numbers are drawn exactly.
const exactBelow = 8

// gamma draws from the gamma distribution of mean 1 and variance 1/shape, for a
// shape of at least 1. Small shapes use the rejection method of Marsaglia and
// Tsang; large ones the cube of a normal variate (Wilson and Hilferty), whose mean
// is 1 - 1/(729 shape^3) and whose distribution is indistinguishable here.
func gamma(r *rand.Rand, shape float64) float64 {
	if shape >= exactBelow {
		a := 1 / (9 * shape)
		v := 1 - a + math.Sqrt(a)*r.NormFloat64()
		return max(v*v*v, 0)
	}
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := r.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		u := r.Float64()
		if u < 1-0.0331*x*x*x*x || math.Log(u) < x*x/2+d*(1-v+math.Log(v)) {
			return d * v / shape
		}
	}
}
