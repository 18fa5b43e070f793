package main

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"benchyard/jobs"
	"benchyard/jobs/lab"
	"benchyard/jobs/results"
	"benchyard/server"
)

type benchGolden struct {
	output
	Bench string `arg:"" help:"Name of the bench."`
}

// goldenLine is what --format json prints of a figure; numbers of the chart are
// null where Missing says why there is none.
type goldenLine struct {
	Clause      string    `json:"clause"`
	Requirement string    `json:"requirement"`
	Condition   string    `json:"condition"`
	Connector   int       `json:"connector"`
	Margin      bool      `json:"margin"` // readings are margins to the test requirement
	Unit        string    `json:"unit"`
	Earlier     int       `json:"earlier"` // readings that the limits come from
	Mean        *float64  `json:"mean"`
	Lower       *float64  `json:"lower"`
	Upper       *float64  `json:"upper"`
	Newest      float64   `json:"newest"`
	MeasuredAt  time.Time `json:"measured_at"`
	Signal      bool      `json:"signal"`
	Missing     string    `json:"missing,omitempty"`
}

// Run prints every figure of the golden unit.
func (c *benchGolden) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	inventory, _, err := lab.Load(ctx, db.Pool, 0)
	if err != nil {
		return refused(err)
	}
	if _, ok := inventory.Bench(c.Bench); !ok {
		return &badInput{fmt.Errorf("bench %s is not in the inventory of %s; see benchyard bench list", c.Bench, inventory.Name)}
	}
	checks, err := jobs.GoldenChecks(ctx, db.Pool, inventory)
	if err != nil {
		return err
	}
	check, ok := checks[c.Bench]
	if !ok {
		return &badInput{fmt.Errorf("bench %s has no golden unit; name one under benches as golden_unit", c.Bench)}
	}
	figures, err := results.GoldenFigures(ctx, db.Pool, c.Bench, check.Serial)
	if err != nil {
		return err
	}
	if c.Format == "table" {
		printGoldenHead(p, check, len(figures))
	}
	return c.print(p.stdout, goldenTable(figures))
}

func printGoldenHead(p *program, c jobs.GoldenCheck, figures int) {
	fmt.Fprintf(p.stdout, "%s, golden unit %s: ", c.Bench, c.Serial)
	switch due := dueText(c); {
	case due != "":
		fmt.Fprintln(p.stdout, due)
	case c.Last == nil:
		fmt.Fprintln(p.stdout, "never measured, no schedule")
	default:
		fmt.Fprintf(p.stdout, "measured %s, no schedule\n", clockTime(*c.Last))
	}
	if figures > 0 {
		fmt.Fprintln(p.stdout, "the limits are those of a steady bench, from the runs before the newest; they are no test limits")
	}
	fmt.Fprintln(p.stdout)
}

func goldenTable(figures []results.GoldenFigure) *table {
	lines := []goldenLine{}
	t := &table{header: []string{"figure", "connector", "n", "mean", "from", "to", "newest", "unit", "signal"}}
	for _, g := range figures {
		unit := g.ReadingUnit()
		line := goldenLine{
			Clause: g.Clause, Requirement: g.Requirement, Condition: g.Condition, Connector: g.Connector, Margin: g.Margin, Unit: unit,
			Earlier: g.Earlier, Newest: g.Newest.Value, MeasuredAt: g.Newest.At, Signal: g.Signal, Missing: g.Missing,
		}
		if g.Missing == "" {
			line.Mean, line.Lower, line.Upper = &g.Chart.Centre, &g.Chart.Lower, &g.Chart.Upper
		}
		lines = append(lines, line)
		said := g.Missing
		if g.Signal {
			said = server.SignalText(1)
		}
		shown := unit
		if unit == "Hz" {
			shown = "MHz"
		}
		t.add(server.FigureText(g.FigureName), strconv.Itoa(g.Connector), strconv.Itoa(g.Earlier), threeDecimals(line.Mean, unit),
			threeDecimals(line.Lower, unit), threeDecimals(line.Upper, unit), threeDecimals(&line.Newest, unit), shown, said)
	}
	t.values = lines
	return t
}
