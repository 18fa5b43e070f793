package statistics

import (
	"fmt"
	"math"
)

// The constants of charts of individuals, as printed in NIST/SEMATECH
// e-Handbook 6.3.2.2, so that anybody's table gives our limits: d2 of ranges of
// two, whose closed form is 2/sqrt(pi) = 1.12838, and D4, exactly 3.26653.
const (
	d2 = 1.128
	d4 = 3.267
)

// Chart is a control chart: a centre line and the limits that a steady process
// keeps within, in the unit of what it shows.
type Chart struct {
	Centre, Lower, Upper float64
	Sigma                float64 // a third of the distance to the upper limit
}

// Individuals returns the chart of single values and that of their moving
// ranges, from values in the order they were taken (NIST/SEMATECH e-Handbook
// 6.3.2.2).
func Individuals(xs []float64) (values, ranges Chart, err error) {
	if err := usable("a chart of individuals", xs, 2); err != nil {
		return Chart{}, Chart{}, err
	}
	summary, err := Summarize(xs)
	if err != nil {
		return Chart{}, Chart{}, err
	}
	mean := 0.0
	for i := range xs[1:] {
		mean += math.Abs(xs[i+1]-xs[i]) / float64(len(xs)-1)
	}
	sigma := mean / d2
	values = Chart{Centre: summary.Mean, Lower: summary.Mean - 3*sigma, Upper: summary.Mean + 3*sigma, Sigma: sigma}
	ranges = Chart{Centre: mean, Upper: d4 * mean, Sigma: (d4 - 1) * mean / 3}
	return values, ranges, nil
}

// Counts returns the c chart of defects per item: the mean count and three
// times its root to either side, never below zero (NIST/SEMATECH e-Handbook
// 6.3.3.1).
func Counts(counts []int) (Chart, error) {
	if len(counts) == 0 {
		return Chart{}, fmt.Errorf("statistics: a chart of counts needs a count: %w", ErrTooFew)
	}
	sum := 0
	for i, n := range counts {
		if n < 0 {
			return Chart{}, fmt.Errorf("statistics: count %d is %d, want none below zero", i+1, n)
		}
		sum += n
	}
	return above(float64(sum)/float64(len(counts)), math.Sqrt(float64(sum)/float64(len(counts)))), nil
}

// Proportions returns the p chart of failures among lots of n each, as shares
// (NIST/SEMATECH e-Handbook 6.3.3.2).
func Proportions(failures []int, n int) (Chart, error) {
	if len(failures) == 0 || n <= 0 {
		return Chart{}, fmt.Errorf("statistics: a chart of proportions needs lots with units in them: %w", ErrTooFew)
	}
	sum := 0
	for i, k := range failures {
		if k < 0 || k > n {
			return Chart{}, fmt.Errorf("statistics: lot %d has %d failures among %d", i+1, k, n)
		}
		sum += k
	}
	p := float64(sum) / float64(n*len(failures))
	c := above(p, math.Sqrt(p*(1-p)/float64(n)))
	c.Upper = min(c.Upper, 1)
	return c, nil
}

// above makes a chart of what is never below zero.
func above(centre, sigma float64) Chart {
	return Chart{Centre: centre, Lower: max(0, centre-3*sigma), Upper: centre + 3*sigma, Sigma: sigma}
}

// EWMA returns the exponentially weighted moving average of xs and its chart:
// each value counts with weight and the average before it with the rest,
// starting from target; sigma is that of single values, and the limits are
// those after many values (NIST/SEMATECH e-Handbook 6.3.2.4). It finds slow
// drifts that single values hide.
func EWMA(xs []float64, weight, target, sigma float64) ([]float64, Chart, error) {
	if err := usable("a moving average", xs, 1); err != nil {
		return nil, Chart{}, err
	}
	if !(weight > 0 && weight <= 1) || !(sigma > 0) {
		return nil, Chart{}, fmt.Errorf("statistics: a moving average needs a weight above 0 up to 1 and a sigma above 0, got %v and %v", weight, sigma)
	}
	smooth := make([]float64, len(xs))
	last := target
	for i, x := range xs {
		last = weight*x + (1-weight)*last
		smooth[i] = last
	}
	s := sigma * math.Sqrt(weight/(2-weight))
	return smooth, Chart{Centre: target, Lower: target - 3*s, Upper: target + 3*s, Sigma: s}, nil
}

// Beyond returns the indices of values outside the limits. A value on a limit
// is inside.
func (c Chart) Beyond(xs []float64) []int {
	var out []int
	for i, x := range xs {
		if x > c.Upper || x < c.Lower {
			out = append(out, i)
		}
	}
	return out
}

// Signal is a pattern that a steady process hardly ever shows, at the value
// that completes it.
type Signal struct {
	At   int // index of the value
	Rule int // 1 to 4, of the Western Electric zone rules
}

// Zones returns the signals of the four Western Electric zone rules, in the
// order of the values: (1) one value beyond three sigma; (2) two of three
// beyond two sigma on one side; (3) four of five beyond one sigma on one side;
// (4) eight in a row on one side. Beyond is strict. A chart without spread
// gives none.
func (c Chart) Zones(xs []float64) []Signal {
	if !(c.Sigma > 0) {
		return nil
	}
	z := offsets(xs, c.Centre)
	for i := range z {
		z[i] /= c.Sigma
	}
	var found []Signal
	for i := range z {
		for _, rule := range zoneRules {
			if rule.completedBy(z[:i+1]) {
				found = append(found, Signal{At: i, Rule: rule.number})
			}
		}
	}
	return found
}

// zoneRule asks for count values out of the last span beyond sigma on one side.
type zoneRule struct {
	number, count, span int
	sigma               float64
}

var zoneRules = [...]zoneRule{{1, 1, 1, 3}, {2, 2, 3, 2}, {3, 4, 5, 1}, {4, 8, 8, 0}}

// completedBy tells whether the last of z completes the pattern: it must belong
// to it, so that one pattern is not told again by the values after it.
func (r zoneRule) completedBy(z []float64) bool {
	last := z[len(z)-1]
	if !(math.Abs(last) > r.sigma) {
		return false
	}
	side, n := math.Copysign(1, last), 0
	for _, x := range z[max(0, len(z)-r.span):] {
		if x*side > r.sigma {
			n++
		}
	}
	return n >= r.count
}
