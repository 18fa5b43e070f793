package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/results"
	"benchyard/server"
	"benchyard/server/api"
)

// runJudgements lists what was judged again.
type runJudgements struct{ output }

// Run lists.
func (c *runJudgements) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	found, err := results.Judgements(ctx, db.Pool, 0)
	if err != nil {
		return err
	}
	t := &table{header: []string{"judgement", "reason", "state", "runs", "errors", "figures", "changed", "verdicts changed", "runs changed", "by", "asked", "limit set", "rule"},
		values: server.JudgementsToWire(found)}
	for _, j := range found {
		w := server.JudgementToWire(j)
		rule := w.Rule
		if rule == "" {
			rule = "of each plan"
		}
		t.add(short(j.ID), j.Reason+simulatedMark(j.Simulated), j.State, fmt.Sprintf("%d/%d", j.Done, j.Runs), strconv.Itoa(j.Errors), strconv.Itoa(j.Figures),
			strconv.Itoa(j.Changed), strconv.Itoa(j.VerdictsChanged), strconv.Itoa(j.RunsChanged), j.AskedBy, clockTime(j.AskedAt), j.LimitSet, rule)
	}
	return c.print(p.stdout, t)
}

// runChanges prints what a judgement changed.
type runChanges struct {
	output
	Judgement string `arg:"" optional:"" help:"Judgement, its number or the end of it. Default: the newest."`
	Verdicts  bool   `help:"Only figures with another verdict."`
}

// Run prints the changes.
func (c *runChanges) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	id, err := findJudgement(ctx, db.Pool, c.Judgement)
	if err != nil {
		return err
	}
	return judgementTables(ctx, p, db.Pool, c.output, id, c.Verdicts)
}

// judgementTables prints what a judgement came to: a summary, the runs that
// could not be judged, and the figures that changed. Such a run makes it an
// error, a unit that fails now a failedUnits error.
func judgementTables(ctx context.Context, p *program, pool *pgxpool.Pool, o output, id uuid.UUID, onlyVerdicts bool) error {
	j, err := results.JudgementByID(ctx, pool, id)
	if err != nil {
		return err
	}
	changes, err := results.ChangesOf(ctx, pool, id, onlyVerdicts, 0)
	if err != nil {
		return err
	}
	runs, err := results.JudgementRuns(ctx, pool, id)
	if err != nil {
		return err
	}
	if o.Format == "table" {
		summarize(p, j, runs)
	}
	t := changesTable(changes)
	t.values = server.JudgementReportToWire(j, runs, changes)
	if o.Format != "table" || len(changes) > 0 {
		if err := o.print(p.stdout, t); err != nil {
			return err
		}
	}
	if hidden := j.Changed - len(changes); o.Format == "table" && hidden > 0 {
		fmt.Fprintf(p.stdout, "%d more figures changed and kept their verdict; see benchyard run changes %s\n", hidden, short(id))
	}
	return judgementOutcome(j)
}

func summarize(p *program, j results.Judgement, runs []results.JudgementRun) {
	w := server.JudgementToWire(j)
	rule, corrections := w.Rule, "of each campaign"
	if rule == "" {
		rule = "of each plan"
	}
	if w.LabVersion != 0 {
		corrections = fmt.Sprintf("of inventory version %d", w.LabVersion)
	} else if w.LabFile != "" {
		corrections = "of " + w.LabFile
	}
	fmt.Fprintf(p.stdout, "judgement %s%s: %s\nasked by %s at %s\nlimits %s\nrule %s, corrections %s\n", j.ID, simulatedMark(j.Simulated), j.Reason,
		j.AskedBy, clockTime(j.AskedAt), j.LimitSet, rule, corrections)
	fmt.Fprintf(p.stdout, "%d of %d runs judged again: %d figures, %d changed, %d with another verdict; %d runs with another verdict\n",
		j.Done, j.Runs, j.Figures, j.Changed, j.VerdictsChanged, j.RunsChanged)
	for _, r := range runs {
		if r.State == "error" {
			fmt.Fprintf(p.stdout, "not judged: %s, build %s, run %s: %s\n", r.Serial, r.Build, r.Run, firstLine(r.Error))
		}
	}
	if j.Ended() && j.Done > 0 && j.Changed == 0 {
		fmt.Fprintln(p.stdout, "every figure, limit, margin and verdict is what it was")
		return
	}
	fmt.Fprintln(p.stdout)
}

func firstLine(text string) string {
	line, _, _ := strings.Cut(text, "\n")
	return line
}

func changesTable(changes []results.JudgementChange) *table {
	t := &table{header: []string{"unit", "build", "clause", "limit", "channel", "connector", "unit of figure", "value before", "lower before", "upper before", "margin before", "verdict before",
		"value", "lower", "upper", "margin", "verdict", "run"}}
	for _, c := range changes {
		b, a, m := c.Before, c.After, api.MarginUnit(c.Unit)
		t.add(c.Serial, c.Build, c.Clause, c.Key, string(c.RFChannel), strconv.Itoa(c.Connector), c.Unit,
			optional(b.Value, c.Unit), optional(b.Lower, c.Unit), optional(b.Upper, c.Unit), optional(b.Margin, m), verdictOr(b),
			optional(a.Value, c.Unit), optional(a.Lower, c.Unit), optional(a.Upper, c.Unit), optional(a.Margin, m), verdictOr(a), c.Run.String())
	}
	return t
}

func verdictOr(f results.JudgedFigure) string {
	if f.Verdict == "" {
		return "no such limit"
	}
	return string(f.Verdict)
}

// judgementOutcome turns the end of a judgement into an exit code.
func judgementOutcome(j results.Judgement) error {
	switch {
	case j.Error != "":
		return fmt.Errorf("judgement %s: %s", short(j.ID), j.Error)
	case j.Errors > 0:
		return fmt.Errorf("judgement %s: %d of %d runs could not be judged again", short(j.ID), j.Errors, j.Runs)
	case j.Failed > 0:
		return &failedUnits{fmt.Sprintf("judgement %s: %d of %d runs fail", short(j.ID), j.Failed, j.Runs)}
	}
	return nil
}

// findJudgement finds a judgement by its number or the end of it; an empty word
// is the newest.
func findJudgement(ctx context.Context, pool *pgxpool.Pool, word string) (uuid.UUID, error) {
	all, err := results.Judgements(ctx, pool, 0)
	if err != nil {
		return uuid.Nil, err
	}
	if len(all) == 0 {
		return uuid.Nil, &badInput{errors.New("nothing was judged again yet; see benchyard run rejudge --help")}
	}
	if word == "" {
		return all[0].ID, nil
	}
	var found []uuid.UUID
	for _, j := range all {
		if strings.HasSuffix(j.ID.String(), strings.ToLower(word)) {
			found = append(found, j.ID)
		}
	}
	if len(found) != 1 {
		return uuid.Nil, &badInput{fmt.Errorf("%d judgements are called %q; see benchyard run judgements", len(found), word)}
	}
	return found[0], nil
}
