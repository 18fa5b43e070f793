package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// yieldChart prints one figure over time.
type yieldChart struct {
	output
	figureFlags
}

// Run prints the readings in the order they were taken, and where they signal.
func (c *yieldChart) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	filter, err := c.filter(ctx, db.Pool)
	if err != nil {
		return err
	}
	found, err := results.ChartFigure(ctx, db.Pool, filter)
	if err != nil {
		return uncountable(err)
	}
	chart := server.ChartToWire(found, filter.Simulated)
	t := chartTable(chart)
	t.values = chart
	if c.Format == "table" {
		printChartHead(p, chart, server.FigureText(found.FigureName))
	}
	return c.print(p.stdout, t)
}

func printChartHead(p *program, c api.FigureChart, name string) {
	unit := c.Unit
	if unit == "Hz" {
		unit = "MHz"
	}
	kind := "figures"
	if c.Margin {
		kind = "margins to the test requirement"
	}
	f := func(v float64) string { return threeDecimals(&v, c.Unit) }
	fmt.Fprintf(p.stdout, "%s%s: %s\ncentre %s, a steady process keeps from %s to %s %s (these are no test limits)\ndifferences from one to the next: mean %s, below %s %s\n",
		name, simulatedMark(c.Simulated), kind, f(c.Centre), f(c.Lower), f(c.Upper), unit, f(c.RangeMean), f(c.RangeUpper), unit)
	signals := 0
	for _, point := range c.Points {
		if len(point.Signals) > 0 {
			signals++
		}
	}
	switch {
	case signals > 0:
		fmt.Fprintf(p.stdout, "%d of %d points signal: look for a cause\n", signals, len(c.Points))
	default:
		fmt.Fprintf(p.stdout, "none of %d points signals\n", len(c.Points))
	}
	if c.Provisional {
		fmt.Fprintln(p.stdout, "fewer than 20 readings: the limits will still move")
	}
	fmt.Fprintln(p.stdout)
}

func chartTable(c api.FigureChart) *table {
	t := &table{header: []string{"no.", "measured", "unit", "build", "bench", "connector", "reading", "case", "signal"}}
	for i, point := range c.Points {
		var words []string
		for _, rule := range point.Signals {
			words = append(words, server.SignalText(rule))
		}
		t.add(strconv.Itoa(i+1), point.MeasuredAt.Format(time.DateTime), point.Serial, point.Build, point.Bench, strconv.Itoa(point.Connector),
			threeDecimals(&point.Value, c.Unit), strconv.FormatInt(point.CaseID, 10), strings.Join(words, "; "))
	}
	return t
}

// uncountable marks what data or words cannot carry as something that a person
// can mend.
func uncountable(err error) error {
	var refused *results.RefusedError
	if errors.As(err, &refused) {
		return &badInput{errors.New(refused.Reason)}
	}
	return err
}
