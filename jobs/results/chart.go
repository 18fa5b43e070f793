package results

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"benchyard/jobs/statistics"
)

// leastForChart is how many readings a chart takes: eight on one side are the
// longest of its patterns. steadyLimits is from how many its limits stay.
const (
	leastForChart = 8
	steadyLimits  = 20
)

// FigureChart is one figure over time: single readings, the limits that a
// steady process keeps within, and the points that signal.
type FigureChart struct {
	Population
	Chart   statistics.Chart // of the readings
	Ranges  statistics.Chart // of the differences from one reading to the next
	Signals []statistics.Signal
	// Provisional: so few readings that the limits will still move.
	Provisional bool
}

// RefusedError says why data cannot carry a question, and what to choose or to
// measure so that they can.
type RefusedError struct{ Reason string }

// Error gives the reason.
func (e *RefusedError) Error() string { return "results: " + e.Reason }

// ChartFigure charts the one figure that the filter selects, over all builds
// unless it names one. It refuses with a *RefusedError what is no single figure,
// fewer than 8 readings, and readings that are all equal.
func ChartFigure(ctx context.Context, db DB, f ReadingFilter) (FigureChart, error) {
	var found []Population
	err := eachPopulation(ctx, db, f, true, func(p Population) error {
		found = append(found, p)
		return nil
	})
	if err != nil {
		return FigureChart{}, err
	}
	if len(found) == 0 {
		return FigureChart{}, &RefusedError{"nothing was measured that fits"}
	}
	if len(found) > 1 {
		return FigureChart{}, &RefusedError{ambiguous(found)}
	}
	return chartOf(found[0])
}

func chartOf(p Population) (FigureChart, error) {
	c := FigureChart{Population: p, Provisional: len(p.Readings) < steadyLimits}
	if n := len(p.Readings); n < leastForChart {
		return c, &RefusedError{fmt.Sprintf("%d readings, it takes at least %d", n, leastForChart)}
	}
	xs := p.Values()
	var err error
	if c.Chart, c.Ranges, err = statistics.Individuals(xs); err != nil {
		return c, fmt.Errorf("results: chart of %s: %w", p.Requirement, err)
	}
	if !(c.Chart.Sigma > 0) {
		return c, &RefusedError{fmt.Sprintf("all %d readings are equal", len(xs))}
	}
	c.Signals = c.Chart.Zones(xs)
	return c, nil
}

// ambiguous says which word tells the figures apart that fit.
func ambiguous(found []Population) string {
	words := []struct {
		name string
		of   func(FigureName) string
	}{
		{"build", func(n FigureName) string { return n.Build }},
		{"type", func(n FigureName) string { return n.UnitType }},
		{"clause", func(n FigureName) string { return n.Clause }},
		{"requirement", func(n FigureName) string { return n.Requirement }},
		{"condition", func(n FigureName) string { return n.Condition }},
	}
	for _, w := range words {
		var choices []string
		for _, p := range found {
			if choice := w.of(p.FigureName); !slices.Contains(choices, choice) {
				choices = append(choices, choice)
			}
		}
		if len(choices) > 1 {
			return fmt.Sprintf("%d figures fit; choose one %s: %s", len(found), w.name, strings.Join(choices, " | "))
		}
	}
	return fmt.Sprintf("%d figures fit that differ in their unit", len(found))
}
