package statistics

import (
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
