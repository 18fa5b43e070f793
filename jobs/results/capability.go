package results

import (
	"context"
	"errors"
	"math"

	"benchyard/jobs/statistics"
)

// leastForIndex is how many transmitters a capability index takes: below it the
// interval of the index is wider than the index.
const leastForIndex = 20

// Capability tells how much room the units of a type leave to a limit, compared
// with how much they differ. A population is of transmitters: every connector of
// a unit counts. Figures are margins where one limit applies.
type Capability struct {
	Population
	Conditions int // of the limit that have readings; this is the one with least room
	Summary    statistics.Summary
	Least      float64 // least room of any reading to a limit, negative outside; NaN without a limit
	// Within has Cp and Cpk, of the spread from one reading to the next, Overall
	// the same with the spread of all readings, which others call Pp and Ppk. Nil
	// where they are refused, and why.
	Within, Overall                 *statistics.Capability
	WithinRefused, OverallRefused   string
	WithinInterval, OverallInterval statistics.Interval // of the Cpk of either, at Level
	Outside                         float64             // share of a normal process with this mean and spread that lies beyond a limit; NaN without an index
	BenchP                          float64             // how often chance alone parts the means of benches so much; NaN with fewer than two benches
	Outliers                        []OutlyingReading
}

// OutlyingReading is a reading that stands apart from the others. It is for
// people to look at: nothing is left out because of it.
type OutlyingReading struct {
	PopulationReading
	Distance float64 // from the mean of the readings that are no farther out, in their standard deviations
	Critical float64 // that the distance exceeds (generalized extreme studentized deviates)
	Robust   float64 // from the median, in median absolute deviations scaled to a standard deviation; NaN without a scale
}

// Capabilities returns the capability of every figure that the filter selects,
// by build, type, clause, limit and condition.
func Capabilities(ctx context.Context, db DB, f ReadingFilter) ([]Capability, error) {
	var list []Capability
	err := eachPopulation(ctx, db, f, false, func(p Population) error {
		c, err := capabilityOf(p)
		list = append(list, c)
		return err
	})
	return list, err
}

// LeastCapable keeps of every limit the condition with the least room: by Cpk
// over all readings, or by the least reading where there is no index.
func LeastCapable(list []Capability) []Capability {
	var kept []Capability
	for _, c := range list {
		n := len(kept) - 1
		if n < 0 || !sameLimit(kept[n].FigureName, c.FigureName) {
			c.Conditions = 1
			kept = append(kept, c)
			continue
		}
		count := kept[n].Conditions + 1
		if c.tighter(kept[n]) {
			kept[n] = c
		}
		kept[n].Conditions = count
	}
	return kept
}

func sameLimit(a, b FigureName) bool {
	return a.Build == b.Build && a.UnitType == b.UnitType && a.Clause == b.Clause && a.Requirement == b.Requirement && a.Unit == b.Unit
}

func (c Capability) tighter(than Capability) bool {
	if c.Overall != nil && than.Overall != nil {
		return c.Overall.Cpk < than.Overall.Cpk
	}
	return c.Least < than.Least || math.IsNaN(than.Least)
}

func capabilityOf(p Population) (Capability, error) {
	c := Capability{Population: p, Conditions: 1, Least: math.NaN(), Outside: math.NaN(), BenchP: math.NaN()}
	xs := p.Values()
	var err error
	if c.Summary, err = statistics.Summarize(xs); err != nil {
		return c, err
	}
	for _, x := range xs {
		if p.Limits.Lower != nil && !(x-*p.Limits.Lower >= c.Least) {
			c.Least = x - *p.Limits.Lower
		}
		if p.Limits.Upper != nil && !(*p.Limits.Upper-x >= c.Least) {
			c.Least = *p.Limits.Upper - x
		}
	}
	c.indices(xs)
	c.Outliers = outliersOf(p.Readings, xs)
	c.BenchP = benchEffect(p.Readings)
	return c, nil
}

// indices fills in both indices, or why they are refused: the reason stands in
// the words of the statistics, which say what is missing.
func (c *Capability) indices(xs []float64) {
	if len(xs) < leastForIndex {
		_, err := statistics.MeasureCapability(xs, c.Limits)
		c.WithinRefused, c.OverallRefused = plainly(err), plainly(err)
		return
	}
	overall, err := statistics.CapabilityOf(c.Summary.Mean, c.Summary.SD, c.Limits)
	if err != nil {
		c.WithinRefused, c.OverallRefused = plainly(err), plainly(err)
		return
	}
	c.Overall, c.OverallInterval = &overall, statistics.CpkInterval(overall.Cpk, len(xs), Level)
	c.Outside = statistics.Outside(c.Summary.Mean, c.Summary.SD, c.Limits)
	within, err := statistics.MeasureCapability(xs, c.Limits)
	if err != nil {
		c.WithinRefused = plainly(err)
		return
	}
	c.Within, c.WithinInterval = &within, statistics.CpkInterval(within.Cpk, len(xs), Level)
}

// plainly says in the words of a lab why there is no index.
func plainly(err error) string {
	switch {
	case errors.Is(err, statistics.ErrTooFew):
		return "too few: an index needs 20 transmitters"
	case errors.Is(err, statistics.ErrNoSpread):
		return "all readings are equal"
	case errors.Is(err, statistics.ErrUnstable):
		return "not steady: the chart signals, find the cause first"
	case errors.Is(err, statistics.ErrNoLimit):
		return "no limit applies"
	}
	return err.Error()
}

// Of outliers: the share of the readings that may be some, and the fewest
// readings that the test is fit for.
const (
	mostOutlying  = 10 // one in ten
	leastForTest  = 10
	alphaOutlying = 0.05
)

func outliersOf(readings []PopulationReading, xs []float64) []OutlyingReading {
	if len(xs) < leastForTest {
		return nil
	}
	steps, n, err := statistics.ESD(xs, max(1, len(xs)/mostOutlying), alphaOutlying)
	if err != nil {
		return nil // equal readings: none stands apart
	}
	scores, err := statistics.RobustScores(xs)
	var list []OutlyingReading
	for _, s := range steps[:n] {
		o := OutlyingReading{PopulationReading: readings[s.Index], Distance: s.Distance, Critical: s.Critical, Robust: math.NaN()}
		if err == nil {
			o.Robust = scores[s.Index]
		}
		list = append(list, o)
	}
	return list
}

// benchEffect tests whether the benches' means differ by more than the readings
// on each. Benches that hold different units differ by their units too.
func benchEffect(readings []PopulationReading) float64 {
	groups := map[string][]float64{}
	var order []string
	for _, r := range readings {
		if _, seen := groups[r.Bench]; !seen {
			order = append(order, r.Bench)
		}
		groups[r.Bench] = append(groups[r.Bench], r.Value)
	}
	list := make([][]float64, len(order))
	for i, bench := range order {
		list[i] = groups[bench]
	}
	v, err := statistics.OneWay(list)
	if err != nil {
		return math.NaN()
	}
	return v.P
}
