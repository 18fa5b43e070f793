package statistics

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Summary is what a list of values comes to, in the unit of the values.
type Summary struct {
	N    int
	Mean float64
	SD   float64 // with n-1; NaN for a single value
	Lag1 float64 // autocorrelation of neighbours, -1 to 1; NaN where the values do not differ
}

// Summarize returns mean, standard deviation and lag-1 autocorrelation of xs,
// which stand in the order they were taken. The autocorrelation is that of NIST
// StRD: products of neighbours' deviations over the sum of squares.
func Summarize(xs []float64) (Summary, error) {
	if err := usable("a summary", xs, 1); err != nil {
		return Summary{}, err
	}
	about := offsets(xs, xs[0])
	mean, variance := stat.MeanVariance(about, nil)
	s := Summary{N: len(xs), Mean: xs[0] + mean, SD: math.Sqrt(variance), Lag1: math.NaN()}
	if len(xs) == 1 {
		s.SD = math.NaN()
		return s, nil
	}
	var neighbours, squares float64
	for i, x := range about {
		d := x - mean
		squares += d * d
		if i > 0 {
			neighbours += d * (about[i-1] - mean)
		}
	}
	if squares > 0 {
		s.Lag1 = neighbours / squares
	}
	return s, nil
}

// offsets returns the values less a reference. Taken near the data, it costs no
// digits, and what follows works on small numbers.
func offsets(xs []float64, reference float64) []float64 {
	about := make([]float64, len(xs))
	for i, x := range xs {
		about[i] = x - reference
	}
	return about
}

// Definition is one of the ways to read a percentile between ordered values.
type Definition string

// The definitions that Percentile knows. Reports name the one they use;
// Benchyard's own is Linear.
const (
	Linear      Definition = "linear"       // at (n-1)p + 1 from the least, interpolated ("type 7")
	Weibull     Definition = "weibull"      // at (n+1)p, interpolated, held at the ends ("type 6", NIST e-Handbook 7.2.6.2)
	NearestRank Definition = "nearest rank" // the value at rank ceil(np), never one between
)

// Percentile returns the value below which the share p of xs lies, by a stated
// definition.
func Percentile(xs []float64, p float64, by Definition) (float64, error) {
	if err := usable("a percentile", xs, 1); err != nil {
		return 0, err
	}
	if !(p >= 0 && p <= 1) {
		return 0, fmt.Errorf("statistics: the share of a percentile is %v, want 0 to 1", p)
	}
	n := float64(len(xs))
	var rank float64
	switch by {
	case Linear:
		rank = (n-1)*p + 1
	case Weibull:
		rank = (n + 1) * p
	case NearestRank:
		rank = math.Ceil(tidy(n * p))
	default:
		return 0, fmt.Errorf("statistics: no percentile is defined by %q; choose %q, %q or %q", by, Linear, Weibull, NearestRank)
	}
	rank = min(max(tidy(rank), 1), n)
	sorted := slices.Sorted(slices.Values(xs))
	below := int(rank)
	if share := rank - float64(below); share > 0 {
		return sorted[below-1] + share*(sorted[below]-sorted[below-1]), nil
	}
	return sorted[below-1], nil
}

// tidy takes a rank that missed a whole number by rounding to that number:
// 0.07 of 100 is rank 7, not 8.
func tidy(rank float64) float64 {
	if whole := math.Round(rank); math.Abs(rank-whole) < 1e-9 {
		return whole
	}
	return rank
}

// Median returns the middle value, or the mean of the middle two.
func Median(xs []float64) (float64, error) { return Percentile(xs, 0.5, Linear) }
