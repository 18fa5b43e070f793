package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"benchyard/instruments/sim"
	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// demoReport is everything the demo found, and what it should have found.
type demoReport struct {
	Seed    uint64           `json:"seed"`
	Units   int              `json:"units"`
	Cases   int              `json:"cases"`
	Errors  int              `json:"errors"` // runs that could not be measured
	Failed  []sim.TruthEntry `json:"failed"`
	Truth   []sim.TruthEntry `json:"injected"`
	Missed  []sim.TruthEntry `json:"missed"`
	False   []sim.TruthEntry `json:"false_fails"`
	Damaged []string         `json:"damaged"`
	Yields  []api.Yield      `json:"yields"`
	Changes []api.Change     `json:"changes"`
	Results []api.Result     `json:"results"`
}

// report prints the tables and gathers them.
func (d *demo) report(ctx context.Context, campaigns []uuid.UUID) (r demoReport, err error) {
	r = demoReport{Seed: d.Seed, Truth: d.truth, Damaged: d.lab.Damaged()}
	for _, id := range campaigns {
		c, err := jobs.CampaignByID(ctx, d.db.Pool, id)
		if err != nil {
			return r, err
		}
		r.Units, r.Cases, r.Errors = c.Units, r.Cases+c.CasesDone, r.Errors+c.Errors
		runs, err := jobs.RunsOf(ctx, d.db.Pool, id)
		if err != nil {
			return r, err
		}
		figures, err := results.Figures(ctx, d.db.Pool, results.Filter{Campaign: id})
		if err != nil {
			return r, err
		}
		worst, err := results.WorstByClause(ctx, d.db.Pool, id)
		if err != nil {
			return r, err
		}
		r.Results = append(r.Results, server.FiguresToWire(figures)...)
		r.Failed = append(r.Failed, failures(runs)...)
		fmt.Fprintf(d.p.stdout, "\n%s: worst margin of every clause, failed units first\n\n", c.Name)
		if err := unitTable(runs).write(d.p.stdout); err != nil {
			return r, err
		}
		fmt.Fprintln(d.p.stdout)
		if err := worstTable(worst).write(d.p.stdout); err != nil {
			return r, err
		}
	}
	slices.SortFunc(r.Failed, func(a, b sim.TruthEntry) int {
		return cmp.Or(cmp.Compare(a.Serial, b.Serial), cmp.Compare(a.Build, b.Build), cmp.Compare(a.Clause, b.Clause))
	})
	r.Missed, r.False = without(r.Truth, r.Failed), without(r.Failed, r.Truth)
	return r, d.overall(ctx, &r)
}

// overall prints yield and what got worse from the older build to the newer.
func (d *demo) overall(ctx context.Context, r *demoReport) error {
	yields, err := results.Yield(ctx, d.db.Pool, true)
	if err != nil {
		return err
	}
	builds := d.lab.Config().Builds
	older, newer := builds[0], builds[len(builds)-1]
	changes, err := results.Regressions(ctx, d.db.Pool, older, newer, true, results.Material{})
	if err != nil {
		return err
	}
	r.Yields, r.Changes = server.YieldToWire(yields), server.ChangesToWire(changes, older, newer)
	fmt.Fprintln(d.p.stdout, "\nyield, all of it simulated")
	fmt.Fprintln(d.p.stdout)
	if err := yieldTable(yields).write(d.p.stdout); err != nil {
		return err
	}
	worse := slices.DeleteFunc(changes, func(c results.Regression) bool { return !c.Worse() })
	fmt.Fprintf(d.p.stdout, "\nwhat got worse from build %s to %s: %d clauses of %d units\n\n", older, newer, len(worse), unitsOf(worse))
	return changeTable(worse).write(d.p.stdout)
}

func unitsOf(changes []results.Regression) int {
	seen := map[string]bool{}
	for _, c := range changes {
		seen[c.Serial] = true
	}
	return len(seen)
}

// failures lists the clauses that runs failed.
func failures(runs []jobs.RunSummary) []sim.TruthEntry {
	var failed []sim.TruthEntry
	for _, r := range runs {
		for clause, c := range r.Clauses {
			if c.Verdict == conformance.Fail || c.Verdict == conformance.ConditionalFail {
				failed = append(failed, sim.TruthEntry{Serial: r.Serial, Build: r.Build, Clause: clause})
			}
		}
	}
	return failed
}
