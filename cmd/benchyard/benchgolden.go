package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"

	"benchyard/jobs"
	"benchyard/jobs/lab"
	"benchyard/jobs/results"
	"benchyard/server"
)

type benchGolden struct {
	output
	Bench     string `arg:"" help:"Name of the bench."`
	BeginAnew bool   `help:"From here on runs are compared with later ones alone: something was changed on purpose. Earlier runs stay stored."`
	By        string `placeholder:"NAME" help:"With --begin-anew: who does it; kept with it."`
	Reason    string `placeholder:"TEXT" help:"With --begin-anew: what was changed; kept with it."`
}

// Run prints every figure of the golden unit.
func (c *benchGolden) Run(ctx context.Context, p *program) error {
	if !c.BeginAnew && (c.By != "" || c.Reason != "") {
		return &badInput{errors.New("--by and --reason belong to --begin-anew")}
	}
	for flag, text := range map[string]string{"--by": c.By, "--reason": c.Reason} {
		if err := checkName(flag, text); err != nil {
			return err
		}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	if c.BeginAnew {
		if err := jobs.BeginGolden(ctx, db.Pool, c.Bench, c.By, c.Reason); err != nil {
			return refused(err)
		}
		fmt.Fprintf(p.stdout, "%s: compared anew from here; earlier runs stay stored\n", c.Bench)
		return nil
	}
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
	begun, err := results.GoldenBaselines(ctx, db.Pool, c.Bench, check.Serial)
	if err != nil {
		return err
	}
	if c.Format == "table" {
		printGoldenHead(p, check, len(figures), begun)
	}
	return c.print(p.stdout, goldenTable(figures))
}

func printGoldenHead(p *program, c jobs.GoldenCheck, figures int, begun []results.GoldenBaseline) {
	fmt.Fprintf(p.stdout, "%s, golden unit %s: ", c.Bench, c.Serial)
	switch due := dueText(c); {
	case due != "":
		fmt.Fprintln(p.stdout, due)
	case c.Last == nil:
		fmt.Fprintln(p.stdout, "never measured, no schedule")
	default:
		fmt.Fprintf(p.stdout, "measured %s, no schedule\n", clockTime(*c.Last))
	}
	if len(begun) > 0 {
		fmt.Fprintf(p.stdout, "compared anew since %s, by %s: %s\n", clockTime(begun[0].Begun), begun[0].By, begun[0].Reason)
	}
	if figures > 0 {
		fmt.Fprintln(p.stdout, "limits are those of a steady bench, from the runs before the newest, and so wide that one check in 370 of a steady bench leaves any of them; they are no test limits")
	}
	fmt.Fprintln(p.stdout)
}

func goldenTable(figures []results.GoldenFigure) *table {
	lines := server.GoldenToWire(figures)
	t := &table{header: []string{"figure", "connector", "n", "mean", "from", "to", "newest", "unit", "signal"}, values: lines}
	for i, g := range figures {
		line, unit := lines[i], lines[i].Unit
		said := g.Missing
		if g.Signal {
			said = "left its limits"
		}
		shown := unit
		if unit == "Hz" {
			shown = "MHz"
		}
		t.add(server.FigureText(g.FigureName), strconv.Itoa(g.Connector), strconv.Itoa(g.Earlier), threeDecimals(line.Mean, unit),
			threeDecimals(line.Lower, unit), threeDecimals(line.Upper, unit), threeDecimals(&line.Newest, unit), shown, said)
	}
	return t
}
