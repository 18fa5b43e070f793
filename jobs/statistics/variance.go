package statistics

import (
	"fmt"
	"math"
	"slices"
)

// Source is one line of an analysis of variance.
type Source struct {
	SumOfSquares float64
	Freedom      int // degrees of freedom
}

// MeanSquare is the sum of squares per degree of freedom; NaN without any.
func (s Source) MeanSquare() float64 {
	if s.Freedom <= 0 {
		return math.NaN()
	}
	return s.SumOfSquares / float64(s.Freedom)
}

// Variance is a one-way analysis of variance.
type Variance struct {
	Between, Within Source
	F, P            float64
	ResidualSD      float64
	RSquared        float64
}

// OneWay tells whether groups of values differ in their means by more than the
// values within them. Every group needs a value and one of them two.
func OneWay(groups [][]float64) (Variance, error) {
	all := slices.Concat(groups...)
	if err := usable("an analysis of variance", all, len(groups)+1); err != nil {
		return Variance{}, err
	}
	if len(groups) < 2 {
		return Variance{}, fmt.Errorf("statistics: an analysis of variance needs two groups: %w", ErrTooFew)
	}
	whole, err := Summarize(all)
	if err != nil {
		return Variance{}, err
	}
	var v Variance
	for i, g := range groups {
		if len(g) == 0 {
			return Variance{}, fmt.Errorf("statistics: group %d of an analysis of variance is empty: %w", i+1, ErrTooFew)
		}
		// The deviation of a group's mean, found among deviations, keeps its digits.
		about := offsets(g, whole.Mean)
		s, err := Summarize(about)
		if err != nil {
			return Variance{}, err
		}
		v.Between.SumOfSquares += float64(len(g)) * s.Mean * s.Mean
		for _, x := range about {
			v.Within.SumOfSquares += (x - s.Mean) * (x - s.Mean)
		}
	}
	v.Between.Freedom, v.Within.Freedom = len(groups)-1, len(all)-len(groups)
	if v.Within.SumOfSquares+v.Between.SumOfSquares == 0 {
		return Variance{}, fmt.Errorf("statistics: an analysis of variance: %w", ErrNoSpread)
	}
	v.F = v.Between.MeanSquare() / v.Within.MeanSquare()
	v.P = fTail(v.F, v.Between.Freedom, v.Within.Freedom)
	v.ResidualSD = math.Sqrt(v.Within.MeanSquare())
	v.RSquared = v.Between.SumOfSquares / (v.Between.SumOfSquares + v.Within.SumOfSquares)
	return v, nil
}
