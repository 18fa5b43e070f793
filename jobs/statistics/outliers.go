package statistics

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Outlier is the value farthest from the mean and what the test makes of it.
// It is for people to look at: a value that breaches a limit is a fail,
// outlier or not.
type Outlier struct {
	Index    int
	Distance float64 // from the mean, in standard deviations: R of the test, G of Grubbs for the first
	Critical float64 // that a distance must exceed
}

// Beyond tells whether the test takes the value for an outlier.
func (o Outlier) Beyond() bool { return o.Distance > o.Critical }

// ESD is the generalized extreme studentized deviate test of up to most
// outliers in normal data (NIST/SEMATECH e-Handbook 1.3.5.17.3). It returns
// every step, and how many outliers there are: those up to the last step beyond
// its critical value, so that two outliers cannot hide each other. Indices are
// those of xs. A single step is the two-sided test of Grubbs (1.3.5.17.1).
func ESD(xs []float64, most int, alpha float64) (steps []Outlier, outliers int, err error) {
	if err := usable("the deviate test", xs, most+2); err != nil {
		return nil, 0, err
	}
	if most < 1 || !proper(alpha) {
		return nil, 0, fmt.Errorf("statistics: the deviate test takes at least one outlier and a significance between 0 and 1, got %d and %v", most, alpha)
	}
	left, index := slices.Clone(xs), make([]int, len(xs))
	for i := range index {
		index[i] = i
	}
	for range most {
		o, err := farthest(left)
		if errors.Is(err, ErrNoSpread) {
			break // what is left is one value many times: no outlier among it
		} else if err != nil {
			return nil, 0, err
		}
		n := len(left)
		t := studentQuantile(1-alpha/(2*float64(n)), n-2)
		o.Critical = float64(n-1) * t / math.Sqrt((float64(n-2)+t*t)*float64(n))
		at := o.Index
		o.Index = index[at]
		steps = append(steps, o)
		if o.Beyond() {
			outliers = len(steps)
		}
		left, index = slices.Delete(left, at, at+1), slices.Delete(index, at, at+1)
	}
	return steps, outliers, nil
}

func farthest(xs []float64) (Outlier, error) {
	s, err := Summarize(xs)
	if err != nil {
		return Outlier{}, err
	}
	if s.SD == 0 {
		return Outlier{}, fmt.Errorf("statistics: a search for outliers: %w", ErrNoSpread)
	}
	var o Outlier
	for i, x := range xs {
		if d := math.Abs(x-s.Mean) / s.SD; d > o.Distance {
			o = Outlier{Index: i, Distance: d}
		}
	}
	return o, nil
}

// RobustScores returns each value's distance from the median in units of the
// median absolute deviation, times 0.6745 so that it reads like a standard
// deviation for normal data. Sizes above 3.5 are worth a look: unlike a
// standard deviation, the scale is not drawn along by what it judges. More than
// half of the values equal leave no scale.
func RobustScores(xs []float64) ([]float64, error) {
	if err := usable("a robust score", xs, 3); err != nil {
		return nil, err
	}
	median, err := Median(xs)
	if err != nil {
		return nil, err
	}
	scores := offsets(xs, median)
	spread, err := Median(sizes(scores))
	if err != nil {
		return nil, err
	}
	if spread == 0 {
		return nil, fmt.Errorf("statistics: a robust score: %w", ErrNoSpread)
	}
	for i := range scores {
		scores[i] *= 0.6745 / spread
	}
	return scores, nil
}

func sizes(xs []float64) []float64 {
	s := make([]float64, len(xs))
	for i, x := range xs {
		s[i] = math.Abs(x)
	}
	return s
}
