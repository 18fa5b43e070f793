package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
)

// planCommand looks at test plans.
type planCommand struct {
	Check planCheck `cmd:"" help:"Expanded cases, time, and every problem with file, line and column."`
}

type planCheck struct {
	output
	File  string   `arg:"" help:"Test plan, YAML."`
	Lab   string   `help:"Inventory to check against. Default: the one in force." placeholder:"FILE"`
	Types []string `name:"type" sep:"none" help:"Only these radio unit types."`
	Build string   `help:"Build to check for. Default: the newest of the inventory."`
}

// Run checks the plan. Without any inventory it checks the document alone.
func (c *planCheck) Run(ctx context.Context, p *program) error {
	data, err := readFile(ctx, c.File)
	if err != nil {
		return err
	}
	types, err := chosen("--type", c.Types)
	if err != nil {
		return err
	}
	parsed, err := plan.Parse(c.File, data)
	if err != nil {
		return withCount(p, err)
	}
	l, err := c.inventory(ctx, p)
	if errors.Is(err, lab.ErrNoLab) {
		fmt.Fprintf(p.stderr, "%s: no problems in the document; apply an inventory, or name one with --lab, to see the cases\n", c.File)
		if c.Format != "table" {
			return c.show(p, parsed, jobs.Preview{Plan: parsed.Name, Title: parsed.Title, PlanHash: parsed.Hash()})
		}
		return nil
	} else if err != nil {
		return err
	}
	build := c.Build
	if build == "" && len(l.Builds) > 0 {
		build = l.Builds[len(l.Builds)-1]
	}
	preview := jobs.CheckIn(l, jobs.Submission{PlanFile: c.File, PlanDocument: data, Types: types, Build: build, By: person()})
	if err := c.show(p, parsed, preview); err != nil {
		return err
	}
	if len(preview.Problems) > 0 {
		return &badInput{&jobs.RefusedError{Problems: preview.Problems}}
	}
	return nil
}

func (c *planCheck) inventory(ctx context.Context, p *program) (*lab.Lab, error) {
	if c.Lab != "" {
		l, _, err := readLab(ctx, c.Lab)
		return l, err
	}
	db, err := p.open(ctx)
	if err != nil {
		return nil, err
	}
	defer db.Close()
	l, _, err := lab.Load(ctx, db.Pool, 0)
	return l, err
}

func (c *planCheck) show(p *program, parsed *plan.Plan, preview jobs.Preview) error {
	t := &table{header: []string{"type", "clause", "band", "channel", "carrier", "bandwidth", "scs", "connector", "test model", "sweeps", "time"}, values: previewToWire(preview)}
	for _, typ := range preview.Types {
		for _, k := range typ.Cases {
			t.add(typ.Type, k.Clause, k.Band, k.RFChannel, rf.Hertz(k.CarrierHz).String(), rf.Hertz(k.BandwidthHz).String(),
				rf.Hertz(k.SCSHz).String(), strconv.Itoa(k.Connector), k.TestModel, strconv.Itoa(k.Sweeps), shortly(k.Estimate))
		}
	}
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
		return err
	}
	fmt.Fprintf(p.stdout, "\nplan %s, %s, decision rule %s\n", parsed.Name, preview.PlanHash[:12], parsed.Rule.Name)
	for _, typ := range preview.Types {
		fmt.Fprintf(p.stdout, "%s: %d cases in %d segments, %s of sweeping for each of %d units\n",
			typ.Type, len(typ.Cases), typ.Segments, shortly(typ.Estimate), typ.Units)
	}
	fmt.Fprintf(p.stdout, "all units: %d cases, %s until the last bench is done\n", preview.Cases, shortly(preview.Estimate))
	return nil
}

// withCount adds how many problems there are, which a long list needs.
func withCount(p *program, err error) error {
	var problems document.Problems
	if errors.As(err, &problems) && len(problems) > 1 {
		fmt.Fprintf(p.stderr, "%d problems\n", len(problems))
	}
	return err
}

// shortly prints a duration with the precision a person wants.
func shortly(d time.Duration) string {
	switch {
	case d < 10*time.Second:
		return d.Round(100 * time.Millisecond).String()
	case d < time.Hour:
		return d.Round(time.Second).String()
	}
	return d.Round(time.Minute).String()
}
