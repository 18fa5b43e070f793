package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/lab"
	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// yieldCommands are about many units: how many pass, how much room they leave to
// limits, whether what measures them is steady, and what a rule makes of them.
type yieldCommands struct {
	Show       yieldCommand    `cmd:"" default:"withargs" help:"Yield per build and type; with --from and --to what got worse and how sure that is."`
	Capability yieldCapability `cmd:"" help:"How much room units leave to each limit compared with how much they differ: mean, spread, Cp and Cpk."`
	Outliers   yieldOutliers   `cmd:"" help:"Readings that stand apart from those of the other units."`
	Chart      yieldChart      `cmd:"" help:"One figure over time, of a unit, a bench or a type, and the points that signal."`
	Benches    yieldBenches    `cmd:"" help:"How well benches agree, from units measured on several of them."`
	Risk       yieldRisk       `cmd:"" help:"How often decision rules accept what does not conform and reject what does; for choosing a guard band."`
}

// yieldCommand prints yield per build and type, what got worse and how sure
// that is.
type yieldCommand struct {
	output
	From string `help:"Compare from this build." placeholder:"BUILD"`
	To   string `help:"Compare to this build." placeholder:"BUILD"`
}

// Run prints yield; with --from and --to also how the builds differ and the
// units that changed.
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
	yields, err := results.Yield(ctx, db.Pool, simulated)
	if err != nil {
		return err
	}
	t := yieldTable(yields)
	report := api.YieldReport{Simulated: simulated, Yields: server.YieldToWire(yields), Builds: buildsOf(yields), BuildA: c.From, BuildB: c.To,
		Changes: []api.Change{}, Comparison: server.ComparisonToWire(results.Comparison{})}
	if c.From == "" {
		t.values = report
		return c.print(p.stdout, t)
	}
	if err := known(report.Builds, c.From, c.To); err != nil {
		return err
	}
	changes, err := results.Regressions(ctx, db.Pool, c.From, c.To, simulated, results.Material{})
	if err != nil {
		return err
	}
	compared, err := results.Compare(ctx, db.Pool, c.From, c.To, simulated, results.Material{})
	if err != nil {
		return err
	}
	report.Changes, report.Comparison = server.ChangesToWire(changes, c.From, c.To), server.ComparisonToWire(compared)
	t.values = report
	if err := c.print(p.stdout, t); err != nil || c.Format != "table" {
		return err
	}
	if err := printComparison(p.stdout, report); err != nil {
		return err
	}
	fmt.Fprintf(p.stdout, "\nunits that changed from %s to %s\n", c.From, c.To)
	return changeTable(changes).write(p.stdout)
}

// buildsOf lists the builds with results, oldest first.
func buildsOf(yields []results.BuildYield) []string {
	builds := []string{}
	for _, y := range yields {
		if y.Units > 0 && !slices.Contains(builds, y.Build) {
			builds = append(builds, y.Build)
		}
	}
	return builds
}

// known refuses a build without results: nothing would read like no change.
func known(builds []string, wanted ...string) error {
	for _, build := range wanted {
		if !slices.Contains(builds, build) {
			return &badInput{fmt.Errorf("build %q has no results to compare; those that have are %v", build, builds)}
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
	t := &table{header: []string{"build", "type", "units", "first pass", "yield", "95 % interval", "exact", "final", "errors", "aborted"}}
	for _, y := range yields {
		share, interval, exact := "no data", "–", "–"
		if y.Units > 0 {
			share = percent(float64(y.FirstPass) / float64(y.Units))
			interval = percent(y.FirstPassLow) + " … " + percent(y.FirstPassHigh)
			exact = percent(y.FirstPassExact.Low) + " … " + percent(y.FirstPassExact.High)
		}
		t.add(y.Build, y.UnitType+simulatedMark(y.Simulated), strconv.Itoa(y.Units), strconv.Itoa(y.FirstPass), share, interval, exact,
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
