package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server"
)

// tables prints what a campaign came to: per unit and clause, the worst figure
// of each clause, and the yield. A failed unit makes it a failedUnits error.
func tables(ctx context.Context, p *program, pool *pgxpool.Pool, o output, id uuid.UUID) error {
	campaign, err := jobs.CampaignByID(ctx, pool, id)
	if err != nil {
		return err
	}
	runs, err := jobs.RunsOf(ctx, pool, id)
	if err != nil {
		return err
	}
	if o.Format == "json" {
		figures, err := results.Figures(ctx, pool, results.Filter{Campaign: id})
		if err != nil {
			return err
		}
		if err := o.print(p.stdout, &table{values: server.FiguresToWire(figures)}); err != nil {
			return err
		}
		return outcome(campaign)
	}
	if err := o.print(p.stdout, unitTable(runs)); err != nil || o.Format == "csv" {
		return err
	}
	worst, err := results.WorstByClause(ctx, pool, id)
	if err != nil {
		return err
	}
	fmt.Fprintln(p.stdout)
	if err := worstTable(worst).write(p.stdout); err != nil {
		return err
	}
	yields, err := results.Yield(ctx, pool, campaign.Simulated)
	if err != nil {
		return err
	}
	fmt.Fprintln(p.stdout)
	if err := yieldTable(yields).write(p.stdout); err != nil {
		return err
	}
	return outcome(campaign)
}

// outcome turns the end of a campaign into an exit code.
func outcome(c jobs.CampaignSummary) error {
	switch {
	case c.Errors > 0:
		return fmt.Errorf("campaign %s: %d of %d units could not be measured to the end; see benchyard run list %s", c.Name, c.Errors, c.Units, short(c.ID))
	case c.Failed > 0:
		return &failedUnits{fmt.Sprintf("campaign %s: %d of %d units failed", c.Name, c.Failed, c.Units)}
	}
	return nil
}

// unitTable has a row for each unit and a column for each clause with the
// verdict and the worst margin, the failed units first.
func unitTable(runs []jobs.RunSummary) *table {
	clauses := clausesOf(runs)
	t := &table{header: append([]string{"unit", "type", "build", "verdict"}, clauses...), values: server.RunsToWire(runs)}
	for _, r := range worstFirst(runs) {
		verdict := string(r.Verdict)
		if verdict == "" {
			verdict = string(r.State)
		}
		row := []string{r.Serial, r.UnitType, r.Build, verdict}
		for _, clause := range clauses {
			row = append(row, clauseCell(r.Clauses[clause]))
		}
		t.add(row...)
	}
	return t
}

func clauseCell(c jobs.ClauseSummary) string {
	if c.Verdict == "" {
		return "–"
	}
	if c.WorstMargin == nil {
		return string(c.Verdict)
	}
	if c.Unit == "Hz" {
		return fmt.Sprintf("%s %+.2f MHz", c.Verdict, *c.WorstMargin/1e6)
	}
	return fmt.Sprintf("%s %+.2f dB", c.Verdict, *c.WorstMargin)
}

func clausesOf(runs []jobs.RunSummary) []string {
	var clauses []string
	for _, r := range runs {
		for clause := range r.Clauses {
			if !slices.Contains(clauses, clause) {
				clauses = append(clauses, clause)
			}
		}
	}
	slices.Sort(clauses)
	return clauses
}

// worstFirst orders runs by verdict, the worst first, then by serial number.
func worstFirst(runs []jobs.RunSummary) []jobs.RunSummary {
	sorted := slices.Clone(runs)
	slices.SortStableFunc(sorted, func(a, b jobs.RunSummary) int { return severity(a) - severity(b) })
	return sorted
}

func severity(r jobs.RunSummary) int {
	order := []conformance.Verdict{conformance.ErrorVerdict, conformance.Fail, conformance.ConditionalFail, conformance.Aborted, conformance.NotRun, "", conformance.ConditionalPass, conformance.Pass}
	return slices.Index(order, r.Verdict)
}

func worstTable(worst []results.ClauseWorst) *table {
	t := &table{header: []string{"clause", "test", "units", "failed", "worst unit", "worst margin", "verdict"}}
	for _, w := range worst {
		margin := fmt.Sprintf("%+.2f dB", w.Margin)
		if w.Unit == "Hz" {
			margin = fmt.Sprintf("%+.2f MHz", w.Margin/1e6)
		}
		t.add(w.Clause, conformance.ClauseTitle(w.Clause), strconv.Itoa(w.Units), strconv.Itoa(w.Failed), w.Serial, margin, string(w.Verdict))
	}
	return t
}
