package statistics

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Wilson returns the score interval of the proportion behind k out of n at a
// two-sided confidence level (NIST/SEMATECH e-Handbook of Statistical Methods
// 7.2.4.1). With n = 0 nothing is known: it returns 0 to 1. Counts or a level
// that make no sense give NaN.
func Wilson(k, n int, level float64) Interval {
	if k < 0 || n < k || !proper(level) {
		return unknown()
	}
	if n == 0 {
		return Interval{0, 1}
	}
	z := twoSided(level)
	size, p := float64(n), float64(k)/float64(n)
	centre := p + z*z/(2*size)
	half := z * math.Sqrt(p*(1-p)/size+z*z/(4*size*size))
	scale := 1 + z*z/size
	i := Interval{(centre - half) / scale, (centre + half) / scale}
	// The ends are exact there; rounding must not leave a trace of it.
	if k == 0 {
		i.Low = 0
	}
	if k == n {
		i.High = 1
	}
	return i
}

// Exact returns the interval of Clopper and Pearson: neither tail of the
// binomial beyond k holds more than half of 1-level (NIST/SEMATECH e-Handbook
// 7.2.4.2). It covers at least level always, and is wider than Wilson's. It
// treats n = 0 and senseless counts as Wilson does.
func Exact(k, n int, level float64) Interval {
	if k < 0 || n < k || !proper(level) {
		return unknown()
	}
	half := (1 - level) / 2
	i := Interval{0, 1}
	if k > 0 {
		i.Low = betaQuantile(half, float64(k), float64(n-k+1))
	}
	if k < n {
		i.High = 1 - betaQuantile(half, float64(n-k), float64(k+1))
	}
	return i
}

// betaQuantile inverts the incomplete beta by halving: the function is monotone
// and costs little, and a result never rests on a starting guess.
func betaQuantile(p, a, b float64) float64 {
	low, high := 0.0, 1.0
	for range 200 {
		mid := (low + high) / 2
		if mid <= low || mid >= high {
			break
		}
		if mathext.RegIncBeta(a, b, mid) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// NoneInN returns how large the proportion of failures may still be, at a
// one-sided confidence, when none was seen in n: 1-(1-confidence)^(1/n). The
// rule of three, 3/n, approximates it at 95 %. With n = 0 it is 1.
func NoneInN(n int, confidence float64) float64 {
	if n < 0 || !proper(confidence) {
		return math.NaN()
	}
	if n == 0 {
		return 1
	}
	return -math.Expm1(math.Log1p(-confidence) / float64(n))
}

// ZeroFailureSample returns how many units must be tested without a single
// failure to claim at least the yield at a one-sided confidence; 0 for a yield
// or a confidence that is not between 0 and 1.
func ZeroFailureSample(yield, confidence float64) int {
	if !proper(yield) || !proper(confidence) {
		return 0
	}
	return int(math.Ceil(tidy(zeroFailures(yield, confidence))))
}

func zeroFailures(yield, confidence float64) float64 {
	return math.Log1p(-confidence) / math.Log(yield)
}

// SampleToTell returns how many units under each of two builds it takes to see
// a change of yield from p1 to p2 with the given power, at a two-sided
// significance alpha, by the normal approximation with separate variances; 0
// where that cannot be said.
func SampleToTell(p1, p2, alpha, power float64) int {
	n := sampleToTell(p1, p2, alpha, power)
	if math.IsNaN(n) || math.IsInf(n, 0) {
		return 0
	}
	return int(math.Ceil(tidy(n)))
}

func sampleToTell(p1, p2, alpha, power float64) float64 {
	if !proper(p1) || !proper(p2) || !proper(alpha) || !proper(power) {
		return math.NaN()
	}
	z := twoSided(1-alpha) + math.Sqrt2*math.Erfinv(2*power-1)
	return z * z * (p1*(1-p1) + p2*(1-p2)) / ((p1 - p2) * (p1 - p2))
}

// tidy takes a count that missed a whole number by rounding to that number: what
// needs 59 units shall not ask for 60.
func tidy(x float64) float64 {
	if whole := math.Round(x); math.Abs(x-whole) < 1e-9 {
		return whole
	}
	return x
}
