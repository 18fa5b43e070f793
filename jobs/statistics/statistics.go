// Package statistics is the arithmetic behind every claim about more than one
// unit: how sure a yield is, whether a build got worse, whether a bench agrees
// with its neighbours, whether a process is steady.
//
// The concept on one screen:
//
//	a count out of n      Wilson, Exact, NoneInN, ZeroFailureSample
//	two counts            Newcombe, FisherExact, McNemar (the same units twice)
//	two sets of levels    MannWhitney, SignedRank (the same units twice)
//	many tests at once    BenjaminiHochberg
//	one process           Summarize, Median, CapabilityOf, Individuals, Chart.Zones
//	several benches       Gauge (units × benches × repeats), OneWay
//	doubtful values       ESD, RobustScores: they point, they never delete
//
// Everything is pure: slices in, figures out, nothing sorted or changed in
// place. Counts that make no sense give NaN; data that cannot carry the question
// give an error that wraps ErrTooFew, ErrFinite or ErrNoSpread. Levels and probabilities lie between 0 and 1; a p value is
// two-sided unless its function says otherwise. Sums of squares are taken about
// a reference near the data, never from sums of raw squares, so that figures
// stay right to the digits that a float64 holds of the data.
package statistics

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

var (
	// ErrTooFew tells that there are too few values for the question.
	ErrTooFew = errors.New("too few values")
	// ErrFinite tells that a value is infinite or no number.
	ErrFinite = errors.New("not a finite number")
	// ErrNoSpread tells that all values are equal where a spread is divided by.
	ErrNoSpread = errors.New("the values do not differ")
)

// Interval is the range that a method leaves for a figure, in its unit.
type Interval struct{ Low, High float64 }

// Contains tells whether x lies within the interval, its ends included.
func (i Interval) Contains(x float64) bool { return i.Low <= x && x <= i.High }

func unknown() Interval { return Interval{math.NaN(), math.NaN()} }

// usable refuses data that have fewer than least values or one that is no
// finite number. what names the method.
func usable(what string, xs []float64, least int) error {
	if len(xs) < least {
		return fmt.Errorf("statistics: %s needs at least %d values, there are %d: %w", what, least, len(xs), ErrTooFew)
	}
	for i, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("statistics: %s: value %d is %v: %w", what, i+1, x, ErrFinite)
		}
	}
	return nil
}

func proper(level float64) bool { return level > 0 && level < 1 }

// twoSided is the deviate that the standard normal stays within with
// probability level.
func twoSided(level float64) float64 { return math.Sqrt2 * math.Erfinv(level) }

// normalTail is the probability that a standard normal exceeds z.
func normalTail(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// bothTails is the two-sided p value of a standard normal z.
func bothTails(z float64) float64 { return math.Erfc(math.Abs(z) / math.Sqrt2) }

// fTail is the probability that F with d1 and d2 degrees of freedom exceeds f.
// The incomplete beta of the complement keeps the digits of a small tail.
func fTail(f float64, d1, d2 int) float64 {
	if math.IsInf(f, 1) {
		return 0
	}
	a, b := float64(d2)/2, float64(d1)/2
	return mathext.RegIncBeta(a, b, float64(d2)/(float64(d2)+float64(d1)*f))
}

// studentQuantile is the quantile p of Student's t with nu degrees of freedom.
func studentQuantile(p float64, nu int) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(nu)}.Quantile(p)
}
