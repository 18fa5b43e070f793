package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/lab"
	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// yieldCommand prints yield per build and type, and what got worse.
type yieldCommand struct {
	output
	From string `help:"Compare from this build." placeholder:"BUILD"`
	To   string `help:"Compare to this build." placeholder:"BUILD"`
}

// Run prints yield; with --from and --to also the units that changed.
func (c *yieldCommand) Run(ctx context.Context, p *program) error {
	if (c.From == "") != (c.To == "") {
		return &badInput{errors.New("--from and --to go together")}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	simulated, err := simulatedLab(ctx, db.Pool)
	if err != nil {
		return err
	}
	report := api.YieldReport{Simulated: simulated, Builds: []string{}, BuildA: c.From, BuildB: c.To, Changes: []api.Change{}}
	yields, err := results.Yield(ctx, db.Pool, simulated)
	if err != nil {
		return err
	}
	report.Yields = server.YieldToWire(yields)
	for _, y := range yields {
		if y.Units > 0 && !slices.Contains(report.Builds, y.Build) {
			report.Builds = append(report.Builds, y.Build)
		}
	}
	var changes []results.Regression
	if c.From != "" {
		if err := c.known(report.Builds); err != nil {
			return err
		}
		if changes, err = results.Regressions(ctx, db.Pool, c.From, c.To, simulated, results.Material{}); err != nil {
			return err
		}
		report.Changes = server.ChangesToWire(changes, c.From, c.To)
	}
	t := yieldTable(yields)
	t.values = report
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" || c.From == "" {
		return err
	}
	fmt.Fprintf(p.stdout, "\nwhat changed from %s to %s\n", c.From, c.To)
	return changeTable(changes).write(p.stdout)
}

// known refuses builds without results: an empty comparison would look as if
// nothing had changed.
func (c *yieldCommand) known(builds []string) error {
	for _, b := range []string{c.From, c.To} {
		if !slices.Contains(builds, b) {
			return &badInput{fmt.Errorf("build %q has no results to compare; those that have are: %s", b, strings.Join(builds, ", "))}
		}
	}
	return nil
}

// simulatedLab tells which world the inventory in force belongs to; results
// of the other one are never counted with it.
func simulatedLab(ctx context.Context, pool *pgxpool.Pool) (bool, error) {
	l, _, err := lab.Load(ctx, pool, 0)
	if errors.Is(err, lab.ErrNoLab) {
		return false, nil
	} else if err != nil {
		return false, err
	}
	return l.Simulated, nil
}

func yieldTable(yields []results.BuildYield) *table {
	t := &table{header: []string{"build", "type", "units", "first pass", "yield", "95 % interval", "final", "errors", "aborted"}}
	for _, y := range yields {
		share, interval := "no data", "–"
		if y.Units > 0 {
			share = percent(float64(y.FirstPass) / float64(y.Units))
			interval = percent(y.FirstPassLow) + " … " + percent(y.FirstPassHigh)
		}
		t.add(y.Build, y.UnitType+simulatedMark(y.Simulated), strconv.Itoa(y.Units), strconv.Itoa(y.FirstPass), share, interval,
			strconv.Itoa(y.Final), strconv.Itoa(y.Errors), strconv.Itoa(y.Aborted))
	}
	return t
}

func changeTable(changes []results.Regression) *table {
	t := &table{header: []string{"unit", "type", "clause", "before", "margin", "after", "margin", "change", "unit of margin"}}
	for _, c := range changes {
		unit := api.MarginUnit(c.Unit)
		t.add(c.Serial, c.UnitType, c.Clause, string(c.VerdictA), number(c.MarginA, unit), string(c.VerdictB), number(c.MarginB, unit),
			fmt.Sprintf("%+.2f", scaled(c.Change(), unit)), shownUnit(unit))
	}
	return t
}

// scaled turns a change of bandwidth into megahertz, which people can read.
func scaled(v float64, unit string) float64 {
	if unit == "Hz" {
		return v / 1e6
	}
	return v
}

func shownUnit(unit string) string {
	if unit == "Hz" {
		return "change in MHz"
	}
	return unit
}

func percent(x float64) string { return fmt.Sprintf("%.1f %%", 100*x) }
