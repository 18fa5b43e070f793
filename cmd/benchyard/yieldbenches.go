package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// yieldBenches prints how well benches agree.
type yieldBenches struct{ output }

// Run prints how well benches agree, or what is missing to tell.
func (c *yieldBenches) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	simulated, err := simulatedLab(ctx, db.Pool)
	if err != nil {
		return err
	}
	found, err := results.BenchAgreement(ctx, db.Pool, simulated)
	if err != nil {
		return err
	}
	report := server.BenchesToWire(found, simulated)
	t := benchTable(report)
	t.values = report
	if c.Format != "table" || len(report.Studies) > 0 {
		if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
			return err
		}
		fmt.Fprintln(p.stdout, "\nstandard deviations of the figure that measuring spreads most; share is measuring over all that is seen: below 10 % good, above 30 % not acceptable")
	}
	for _, missing := range report.Missing {
		fmt.Fprintln(p.stdout, missing)
	}
	return nil
}

func benchTable(r api.BenchReport) *table {
	t := &table{header: []string{"build", "type", "clause", "figure", "units", "repeats", "repeatability", "between benches", "measuring", "units differ by", "share", "classes", "unit", "benches read"}}
	for _, s := range r.Studies {
		unit := s.Unit
		if unit == "Hz" {
			unit = "MHz"
		}
		var reads []string
		for _, b := range s.Benches {
			reads = append(reads, fmt.Sprintf("%s %+.3f", b.Bench, scaled(b.Deviation, s.Unit)))
		}
		sd := func(x float64) string { return fmt.Sprintf("%.3f", scaled(x, s.Unit)) }
		t.add(s.Build, s.UnitType+simulatedMark(r.Simulated), s.Clause, s.Requirement+", "+s.Case, strconv.Itoa(len(s.Units)), strconv.Itoa(s.Repeats),
			sd(s.Repeatability), sd(s.Reproducibility), sd(s.Measuring), sd(s.BetweenUnits), percent(s.StudyVariation), strconv.Itoa(s.Categories),
			unit, strings.Join(reads, ", "))
	}
	return t
}
