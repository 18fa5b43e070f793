package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"

	"github.com/google/uuid"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server"
)

// runCommand looks at runs.
type runCommand struct {
	List   runList   `cmd:"" help:"The runs of a campaign, the failed ones first."`
	Show   runShow   `cmd:"" help:"Every figure of one run with its limit and margin."`
	Repeat runRepeat `cmd:"" help:"Measure a unit again; the first attempt stays as it is."`

	Rejudge    runRejudge    `cmd:"" help:"Judge stored traces again: other limits, another rule, other corrections. No bench is needed; the first verdicts stay."`
	Judgements runJudgements `cmd:"" help:"What was judged again, newest first."`
	Changes    runChanges    `cmd:"" help:"What judging again changed: figure, limit, margin, verdict."`
}

type runList struct {
	output
	Campaign string `arg:"" optional:"" help:"Campaign. Default: the newest."`
}

// Run lists.
func (c *runList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	id, err := findCampaign(ctx, db.Pool, c.Campaign)
	if err != nil {
		return err
	}
	runs, err := jobs.RunsOf(ctx, db.Pool, id)
	if err != nil {
		return err
	}
	t := &table{header: []string{"run", "unit", "type", "attempt", "bench", "state", "verdict", "cases", "remark"}, values: server.RunsToWire(runs)}
	for _, r := range worstFirst(runs) {
		remark := r.Error
		if remark == "" {
			remark = waitsFor(r)
		}
		t.add(r.ID.String(), r.Serial, r.UnitType, strconv.Itoa(r.Attempt), r.Bench, string(r.State), string(r.Verdict),
			fmt.Sprintf("%d/%d", r.CasesDone, r.CasesTotal), remark)
	}
	return c.print(p.stdout, t)
}

// waitsFor says why a run waits, and until when at least.
func waitsFor(r jobs.RunSummary) string {
	if r.Paused != "" && r.DueAt != nil {
		return r.Paused + ", not before " + r.DueAt.Local().Format("15:04:05")
	}
	return cmp.Or(r.Paused, r.Blocked)
}

type runShow struct {
	output
	Number  string `arg:"" name:"run" help:"Run, its number."`
	Clause  string `help:"Only this clause."`
	Verdict string `help:"Only figures with this verdict."`
	Explain string `placeholder:"KEY" help:"How the verdict on one figure came about, from the sweep to the decision; KEY as in the column \"key\"."`
	Steps   bool   `help:"The steps of bring-up and retune instead of the figures."`
	Case    int64  `help:"With --explain: in this case, as in the column \"case\". Default: the one with the least margin."`
}

// Run shows the figures.
func (c *runShow) Run(ctx context.Context, p *program) error {
	id, err := uuid.Parse(c.Number)
	if err != nil {
		return &badInput{fmt.Errorf("%q is not the number of a run; see benchyard run list", c.Number)}
	}
	if err := c.check(); err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	run, err := jobs.RunByID(ctx, db.Pool, id)
	if err != nil {
		return refused(err)
	}
	if c.Explain != "" {
		return c.explain(ctx, p, db.Pool, run)
	}
	if c.Steps {
		return c.steps(ctx, p, db.Pool, id)
	}
	figures, err := results.Figures(ctx, db.Pool, results.Filter{Run: id, Clause: c.Clause, Verdict: conformance.Verdict(c.Verdict)})
	if err != nil {
		return err
	}
	if c.Format == "table" {
		fmt.Fprintf(p.stdout, "%s %s, build %s, attempt %d on %s%s: %s %s\n", run.UnitType, run.Serial, run.Build, run.Attempt, run.Bench,
			simulatedMark(run.Simulated), run.State, run.Verdict)
		if run.Error != "" {
			fmt.Fprintln(p.stdout, run.Error)
		}
		if err := c.errors(ctx, p, db.Pool, id); err != nil {
			return err
		}
		if wait := waitsFor(run); wait != "" {
			fmt.Fprintln(p.stdout, wait)
		}
		if run.Retested > 0 {
			fmt.Fprintf(p.stdout, "%d cases measured again after a fail; without that: %s\n", run.Retested, run.First)
		}
		fmt.Fprintln(p.stdout)
	}
	t := &table{header: []string{"case", "clause", "key", "limit", "channel", "connector", "value", "lower", "upper", "margin", "unit", "at", "verdict", "attempt", "note"}, values: server.FiguresToWire(figures)}
	for _, f := range figures {
		r := f.Result
		place := "–"
		if r.At != 0 {
			place = rf.Hertz(math.Round(float64(r.At))).String()
		}
		unit := r.Requirement.Unit
		t.add(strconv.FormatInt(f.Case.ID, 10), r.Requirement.Clause, r.Requirement.Key, r.Requirement.Title, string(f.Case.RFChannel), strconv.Itoa(f.Case.Connector), number(r.Value, unit),
			optional(r.Lower, unit), optional(r.Upper, unit), number(r.Margin, unit), unit, place, string(r.Verdict), attemptOf(f.Case), r.Note)
	}
	return c.print(p.stdout, t)
}

// errors says why cases have no figures.
func (c *runShow) errors(ctx context.Context, p *program, db results.DB, id uuid.UUID) error {
	cases, err := results.RunCases(ctx, db, id)
	for _, k := range cases {
		if k.Error != "" && (c.Clause == "" || c.Clause == k.Clause) {
			fmt.Fprintf(p.stdout, "case %d: %s\n", k.ID, oneLine(k.Error))
		}
	}
	return err
}

// attemptOf numbers an attempt at a case, and marks one that does not count.
func attemptOf(c results.StoredCase) string {
	if c.Superseded {
		return strconv.Itoa(c.Attempt) + ", measured again"
	}
	return strconv.Itoa(c.Attempt)
}

// steps shows how the unit was brought up and retuned.
func (c *runShow) steps(ctx context.Context, p *program, db jobs.DB, id uuid.UUID) error {
	steps, err := jobs.StepsOf(ctx, db, id)
	if err != nil {
		return err
	}
	t := &table{header: []string{"segment", "attempt", "step", "outcome", "began", "took", "tries", "detail"}, values: server.StepsToWire(steps)}
	for _, s := range steps {
		t.add(strconv.Itoa(s.Segment), strconv.Itoa(s.Attempt), s.Name, s.Outcome, s.BeganAt.Format("15:04:05.000"),
			fmt.Sprintf("%.3f s", s.Duration), strconv.Itoa(s.Tries), s.Detail)
	}
	return c.print(p.stdout, t)
}

// check refuses flags that would be passed over in silence.
func (c *runShow) check() error {
	switch {
	case c.Case != 0 && c.Explain == "":
		return &badInput{errors.New("--case chooses the figure that --explain KEY explains; give both")}
	case c.Steps && (c.Explain != "" || c.Clause != "" || c.Verdict != ""):
		return &badInput{errors.New("--steps shows no figures; leave --explain, --clause and --verdict out")}
	case c.Explain != "" && (c.Clause != "" || c.Verdict != ""):
		return &badInput{errors.New("--explain takes one figure; leave --clause and --verdict out")}
	}
	return nil
}

type runRepeat struct {
	Number string `arg:"" name:"run" help:"Run, its number."`
}

// Run queues a new attempt.
func (c *runRepeat) Run(ctx context.Context, p *program) error {
	id, err := uuid.Parse(c.Number)
	if err != nil {
		return &badInput{fmt.Errorf("%q is not the number of a run; see benchyard run list", c.Number)}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	next, err := jobs.Repeat(ctx, db.Pool, id, person())
	if err != nil {
		return refused(err)
	}
	fmt.Fprintf(p.stdout, "queued as run %s\n", next)
	return nil
}
