package main

import (
	"fmt"
	"io"
	"math"
	"strconv"

	"benchyard/jobs/results"
	"benchyard/server/api"
)

// printComparison prints how sure the differences of two builds are: yields
// with what they allow to say, then margins clause by clause.
func printComparison(w io.Writer, r api.YieldReport) error {
	fmt.Fprintf(w, "\nfirst-pass yield, %s less %s, in percentage points\n", r.BuildB, r.BuildA)
	if err := differenceTable(r.Comparison).write(w); err != nil {
		return err
	}
	for _, y := range r.Comparison.Yields {
		fmt.Fprintf(w, "%s: %s\n", y.UnitType, y.Remark)
	}
	if len(r.Comparison.Margins) == 0 {
		return nil
	}
	fmt.Fprintf(w, "\nworst margin of the typical unit, %s less %s; q is the share of false alarms among clauses that look as changed,\nworse and better count units that moved by the material change or more\n", r.BuildB, r.BuildA)
	return shiftTable(r.Comparison).write(w)
}

func differenceTable(c api.Comparison) *table {
	t := &table{header: []string{"type", "passed before", "passed after", "difference", "95 % interval", "Fisher p", "under both", "worse", "better", "McNemar p"}}
	for _, y := range c.Yields {
		difference, interval := "no data", "–"
		if y.Difference != nil && y.Low != nil && y.High != nil {
			difference = fmt.Sprintf("%+.1f", 100**y.Difference)
			interval = fmt.Sprintf("%+.1f … %+.1f", 100**y.Low, 100**y.High)
		}
		t.add(y.UnitType, fmt.Sprintf("%d of %d", y.PassedA, y.UnitsA), fmt.Sprintf("%d of %d", y.PassedB, y.UnitsB), difference, interval,
			probability(y.FisherP), strconv.Itoa(y.Pairs), strconv.Itoa(y.Worse), strconv.Itoa(y.Better), probability(y.McNemarP))
	}
	return t
}

func shiftTable(c api.Comparison) *table {
	t := &table{header: []string{"type", "clause", "finding", "change", "95 % interval", "material", "q", "least now", "unit", "worse", "better", "test", "units"}}
	for _, m := range c.Margins {
		units := fmt.Sprintf("%d pairs", m.Pairs)
		if m.Method != string(results.Paired) {
			units = fmt.Sprintf("%d and %d", m.UnitsA, m.UnitsB)
		}
		interval := "–"
		if m.Low != nil && m.High != nil {
			interval = plusMinus(m.Low, m.Unit) + " … " + plusMinus(m.High, m.Unit)
		}
		unit := m.Unit
		if unit == "Hz" {
			unit = "MHz"
		}
		t.add(m.UnitType, m.Clause, m.Finding, plusMinus(m.Shift, m.Unit), interval, fmt.Sprintf("%.2f", scaled(m.Material, m.Unit)), probability(m.Q),
			plusMinus(m.LeastB, m.Unit), unit, strconv.Itoa(m.Worse), strconv.Itoa(m.Better), m.Method, units)
	}
	return t
}

// plusMinus prints a margin or a change of one, bandwidths in megahertz.
func plusMinus(v *float64, unit string) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf("%+.2f", math.Round(100*scaled(*v, unit))/100+0) // no -0.00
}

func probability(p *float64) string {
	switch {
	case p == nil:
		return "–"
	case *p < 0.001:
		return "<0.001"
	}
	return fmt.Sprintf("%.3f", *p)
}
