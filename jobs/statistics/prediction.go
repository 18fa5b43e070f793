package statistics

import (
	"fmt"
	"math"
)

// threeSigma is how often a steady process is taken for one that has moved, for each
// value on a chart with limits at three sigma: 2(1-Φ(3)), 0.27 %.
const threeSigma = 0.0026997960632601866

// Prediction is where the next value lies while nothing has moved, from the values
// before it.
type Prediction struct {
	Centre, Lower, Upper float64
	SD                   float64 // of the values before, n-1 in its divisor
	N                    int     // of these
}

// Predict returns the limits that the next value of a steady, normal process leaves
// only so seldom that among figures such predictions of one occasion any one gives a
// false alarm with the probability that one value has on a chart with limits at three
// sigma, 0.27 %.
//
// With the mean m and the standard deviation s of n values, next - m has the variance
// (1 + 1/n) sigma², and (next - m) / (s sqrt(1 + 1/n)) is Student's t with n-1 degrees
// of freedom: the prediction interval of one further observation (NIST/SEMATECH
// e-Handbook 7.2.2.1 has t for a mean whose sigma is estimated; G. J. Hahn and W. Q.
// Meeker, Statistical Intervals, 4.7, from memory, for one further observation). Each
// of the figures is given its equal share of the false alarms (Bonferroni, NIST
// e-Handbook 7.4.7.3), which holds however they depend on each other; Šidák's exact
// share for independent ones differs by less than 0.14 % of itself here.
//
// It takes two values and more that are not all equal, else ErrTooFew or ErrNoSpread.
func Predict(xs []float64, figures int) (Prediction, error) {
	if err := usable("a prediction", xs, 2); err != nil {
		return Prediction{}, err
	}
	if figures < 1 {
		return Prediction{}, fmt.Errorf("statistics: limits for %d figures: want one and more", figures)
	}
	summary, err := Summarize(xs)
	if err != nil {
		return Prediction{}, err
	}
	if !(summary.SD > 0) {
		return Prediction{}, fmt.Errorf("statistics: a prediction: %w", ErrNoSpread)
	}
	n := len(xs)
	t := studentQuantile(1-threeSigma/(2*float64(figures)), n-1)
	reach := t * summary.SD * math.Sqrt(1+1/float64(n))
	return Prediction{Centre: summary.Mean, Lower: summary.Mean - reach, Upper: summary.Mean + reach, SD: summary.SD, N: n}, nil
}

// Left tells whether a value lies outside; a limit itself belongs to the inside.
func (p Prediction) Left(x float64) bool { return x < p.Lower || x > p.Upper }
