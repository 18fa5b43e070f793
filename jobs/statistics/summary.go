package statistics

import (
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

// Median returns the middle value, or the mean of the middle two.
func Median(xs []float64) (float64, error) {
	if err := usable("a median", xs, 1); err != nil {
		return 0, err
	}
	sorted := slices.Sorted(slices.Values(xs))
	n := len(sorted)
	return sorted[(n-1)/2]/2 + sorted[n/2]/2, nil
}
