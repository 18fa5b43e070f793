package calibration

import (
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// CheckLimit is by how much a quick check may be off the table: common practice,
// no source.
const CheckLimit rf.DB = 0.3

// Difference is one frequency of two tables.
type Difference struct {
	Frequency   rf.Hertz `json:"frequency_hz"`
	Before      rf.DB    `json:"before_db"`
	After       rf.DB    `json:"after_db"`
	Difference  rf.DB    `json:"difference_db"`  // After less Before
	Uncertainty rf.DB    `json:"uncertainty_db"` // expanded, of the difference: both combined
	Ratio       float64  `json:"ratio"`          // Difference in units of Uncertainty; beyond 1 the tables disagree
}

// Comparison is a new table beside the one it would replace.
type Comparison struct {
	Rows     []Difference `json:"rows"`     // every row of either table in what both cover
	Greatest *Difference  `json:"greatest"` // by Ratio; nil where they have no frequency in common
	Narrower bool         `json:"narrower"` // the new table covers less than the old one
}

// Disagree returns at how many frequencies the tables differ by more than their
// combined uncertainty.
func (c Comparison) Disagree() int {
	n := 0
	for _, d := range c.Rows {
		if d.Disagree() {
			n++
		}
	}
	return n
}

// Disagree reports whether the difference is more than the uncertainties explain.
func (d Difference) Disagree() bool { return math.Abs(d.Ratio) > 1 }

// leastUncertainty keeps a table that claims none from making every difference
// endless, in decibels.
const leastUncertainty = 1e-3

// Compare holds a table against the one before it, both interpolated where only
// the other has a row.
func Compare(before, after rf.Correction) Comparison {
	var c Comparison
	c.Narrower = !after.Range().Covers(before.Range())
	var frequencies []rf.Hertz
	for _, p := range append(slices.Clone(before), after...) {
		frequencies = append(frequencies, p.Frequency)
	}
	slices.Sort(frequencies)
	for _, f := range slices.Compact(frequencies) {
		was, u1, err := before.At(f)
		if err != nil {
			continue
		}
		is, u2, err := after.At(f)
		if err != nil {
			continue
		}
		d := Difference{Frequency: f, Before: was, After: is, Difference: is - was, Uncertainty: rf.DB(math.Hypot(float64(u1), float64(u2)))}
		d.Ratio = float64(d.Difference) / max(float64(d.Uncertainty), leastUncertainty)
		c.Rows = append(c.Rows, d)
	}
	for i, d := range c.Rows {
		if c.Greatest == nil || math.Abs(d.Ratio) > math.Abs(c.Greatest.Ratio) {
			c.Greatest = &c.Rows[i]
		}
	}
	return c
}

// Check holds a few losses against the table. It passes when none is off by
// more than the limit, and fails outside the table: it is an error to ask there.
func Check(table rf.Correction, seen []Row, limit rf.DB) (rows []Difference, passed bool, err error) {
	if len(seen) == 0 || !(limit > 0) {
		return nil, false, fmt.Errorf("calibration: a check of %d frequencies with a limit of %s shows nothing", len(seen), limit)
	}
	for _, s := range seen {
		if !table.Range().Contains(s.Frequency) {
			return nil, false, fmt.Errorf("calibration: %s is outside the table, %s to %s", s.Frequency, table.Range().Low, table.Range().High)
		}
	}
	passed = true
	for _, s := range seen {
		c := Compare(table, rf.Correction{s.CorrectionPoint})
		i := slices.IndexFunc(c.Rows, func(d Difference) bool { return d.Frequency == s.Frequency })
		rows = append(rows, c.Rows[i])
		passed = passed && math.Abs(float64(c.Rows[i].Difference)) <= float64(limit)
	}
	return rows, passed, nil
}

// MostRows bounds a table that is measured: one row takes seconds.
const MostRows = 2001

// Grid returns so many frequencies from one to another, equally spaced, in
// whole hertz.
func Grid(from, to rf.Hertz, points int) ([]rf.Hertz, error) {
	if points < LeastRows || points > MostRows {
		return nil, fmt.Errorf("calibration: %d points; want %d to %d", points, LeastRows, MostRows)
	}
	if !(from > 0) || !(to-from >= rf.Hertz(points)) {
		return nil, fmt.Errorf("calibration: %d points from %s to %s: want a range over zero that is wide enough for them", points, from, to)
	}
	f := make([]rf.Hertz, points)
	for i := range f {
		f[i] = rf.Hertz(math.Round(float64(from + (to-from)*rf.Hertz(i)/rf.Hertz(points-1))))
	}
	return f, nil
}

// Few returns up to n frequencies of a table, its ends and rows evenly between
// them: where a quick check looks.
func Few(table rf.Correction, n int) []rf.Hertz {
	var few []rf.Hertz
	for i := range n {
		p := table[i*(len(table)-1)/max(1, n-1)]
		if len(few) == 0 || p.Frequency > few[len(few)-1] {
			few = append(few, p.Frequency)
		}
	}
	return few
}
