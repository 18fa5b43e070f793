package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"benchyard/instruments/document"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Rejudge asks for stored traces to be judged again, without a bench. Exactly
// one of Runs, Campaign and All says which. What is left out stays as it was:
// the embedded limit set of this program, the rule of each plan, the
// corrections of the inventory that each campaign was measured with.
type Rejudge struct {
	Runs     []uuid.UUID
	Campaign uuid.UUID
	All      bool // every run of the world, simulated or real, of the inventory in force

	Reason string // for people; must not be empty
	By     string // who asks

	LimitsFile     string // name of a file laid over the embedded limit set, for messages and records; empty: none
	LimitsDocument []byte
	Rule           *conformance.DecisionRule
	LabVersion     int64 // inventory version whose corrections count; zero: see LabFile
	// LabFile is the name of an inventory file whose corrections count, with those
	// approved in place of its own; it is not put in force; empty: none.
	LabFile     string
	LabDocument []byte

	Program string // version of the program that asks
	Queue   bool   // true: tickets for agents; false: the caller does it with WorkJudgement
}

// NotJudgeableError says why nothing is judged again; nothing was stored.
type NotJudgeableError struct {
	Problems []string // each saying what, and what to do
}

// Error lists every problem on a line of its own.
func (e *NotJudgeableError) Error() string {
	return "jobs: nothing is judged again: " + strings.Join(e.Problems, "\n")
}

// Of a batch: so much that the database is asked seldom, so little that a
// killed process loses seconds.
const (
	batchTraces = 4000
	batchRuns   = 64
)

// AskJudgement checks and stores a request and returns the judgement that came
// of it. With Queue it also issues a ticket for each batch of runs, for any
// agent to work on. Bad input gives a *NotJudgeableError, document.Problems or
// the error of the limit set, and nothing is stored. Runs that are still open
// are refused when they are named, and left out of a campaign or of all.
func AskJudgement(ctx context.Context, pool *pgxpool.Pool, ask Rejudge) (results.Judgement, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return results.Judgement{}, fmt.Errorf("jobs: judging again: %w", err)
	}
	j, texts, err := ask.check(ctx, pool)
	if err != nil {
		return j, err
	}
	j.ID = id
	runs, simulated, err := ask.choose(ctx, pool)
	if err != nil {
		return j, err
	}
	j.Simulated = simulated
	err = transact(ctx, pool, func(tx pgx.Tx) error {
		if err := results.InsertJudgement(ctx, tx, j, texts, runs); err != nil {
			return err
		}
		if ask.Queue {
			if err := issueJudgement(ctx, pool, tx, id, runs[len(runs)-1].Batch); err != nil {
				return err
			}
		}
		return emit(ctx, tx, judgementChange(id, Queued, ask.By, ask.Reason))
	})
	if err != nil {
		return j, fmt.Errorf("jobs: judging again: %w", err)
	}
	return results.JudgementByID(ctx, pool, id)
}

// What people write beside verdicts and into lists has an end, in characters.
const (
	longestReason = 500
	longestName   = 200
)

// check turns the request into a judgement, everything but its runs.
func (ask Rejudge) check(ctx context.Context, db DB) (results.Judgement, results.JudgementTexts, error) {
	j := results.Judgement{AskedBy: ask.By, Reason: strings.TrimSpace(ask.Reason), LimitsFile: ask.LimitsFile, Rule: ask.Rule,
		LabFile: ask.LabFile, Program: ask.Program}
	var texts results.JudgementTexts
	var problems []string
	switch n := utf8.RuneCountInString(j.Reason); {
	case n == 0:
		problems = append(problems, "no reason is given; say why, others will want to know")
	case n > longestReason || strings.ContainsAny(j.Reason, "\n\r"):
		problems = append(problems, fmt.Sprintf("the reason stands beside every verdict: one line of up to %d characters, not %d", longestReason, n))
	}
	switch n := utf8.RuneCountInString(j.AskedBy); {
	case n == 0:
		problems = append(problems, "nobody is named who asks")
	case n > longestName:
		problems = append(problems, fmt.Sprintf("who asks has a name of %d characters; up to %d are kept", n, longestName))
	}
	if ask.LabVersion != 0 && ask.LabFile != "" {
		problems = append(problems, "corrections of an inventory version and of a file at once; choose one")
	}
	if ask.Rule != nil {
		if err := ask.Rule.Validate(); err != nil {
			problems = append(problems, err.Error())
		}
	}
	if len(problems) > 0 {
		return j, texts, &NotJudgeableError{problems}
	}
	limits, err := limitsWith(ask.LimitsFile, ask.LimitsDocument)
	if err != nil {
		return j, texts, err
	}
	j.LimitSet = limits.Name()
	if ask.LimitsFile != "" {
		texts.Limits = stringOf(ask.LimitsDocument)
	}
	if ask.LabFile != "" {
		complete, err := ask.withInForce(ctx, db)
		if err != nil {
			return j, texts, err
		}
		texts.Lab = stringOf(complete)
	}
	if ask.LabVersion != 0 {
		_, _, err := lab.Load(ctx, db, ask.LabVersion)
		if errors.Is(err, lab.ErrNoLab) {
			return j, texts, &NotJudgeableError{[]string{fmt.Sprintf("there is no inventory version %d", ask.LabVersion)}}
		}
		if err != nil {
			return j, texts, err
		}
		j.LabID = &ask.LabVersion
	}
	return j, texts, nil
}

// withInForce returns the inventory of the file as it would be if it were applied
// now: approved corrections stand in place of those of the file.
func (ask Rejudge) withInForce(ctx context.Context, db DB) ([]byte, error) {
	if err := lab.CheckOwn(ask.LabFile, ask.LabDocument); err != nil {
		return nil, err
	}
	l, err := lab.Parse(ask.LabFile, ask.LabDocument)
	if err != nil {
		return nil, err
	}
	newest, _, err := lab.Load(ctx, db, 0)
	if err != nil {
		return nil, err
	}
	_, complete, err := l.With(ask.LabFile, ask.LabDocument, newest)
	return complete, err
}

func stringOf(data []byte) *string {
	s := string(data)
	return &s
}

// limitsWith is the embedded limit set with a file laid over it; without a name
// there is none.
func limitsWith(file string, data []byte) (*conformance.Set, error) {
	set := conformance.Embedded()
	if file == "" {
		return set, nil
	}
	if len(data) > document.MaxSize {
		return nil, &NotJudgeableError{[]string{fmt.Sprintf("%s has %d bytes, at most %d are read", file, len(data), document.MaxSize)}}
	}
	return set.With(file, data)
}

// chosenRun is a run that may be judged again.
type chosenRun struct {
	ID        uuid.UUID
	State     State
	Verdict   conformance.Verdict
	Simulated bool
	Judged    int // cases with a verdict
	Traces    int
}

// choose finds the runs that are asked for and cuts them into batches.
func (ask Rejudge) choose(ctx context.Context, db DB) ([]results.JudgementRun, bool, error) {
	ways := 0
	for _, given := range []bool{len(ask.Runs) > 0, ask.Campaign != uuid.Nil, ask.All} {
		if given {
			ways++
		}
	}
	if ways != 1 {
		return nil, false, &NotJudgeableError{[]string{"name runs, or one campaign, or ask for all"}}
	}
	var world *bool
	if ask.All {
		l, _, err := lab.Load(ctx, db, 0)
		if err != nil {
			return nil, false, err
		}
		world = &l.Simulated
	}
	var named []uuid.UUID
	if len(ask.Runs) > 0 {
		named = ask.Runs
	}
	rows, err := db.Query(ctx, `
		SELECT r.id, r.state, coalesce(r.verdict, ''), c.simulated, n.judged, n.traces
		FROM run r JOIN campaign c ON c.id = r.campaign_id
		CROSS JOIN LATERAL (
			SELECT count(*) FILTER (WHERE m.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')) AS judged,
			       coalesce(sum((SELECT count(*) FROM trace t WHERE t.case_id = m.id)), 0) AS traces
			FROM measured_case m WHERE m.run_id = r.id) n
		WHERE ($1::uuid[] IS NULL OR r.id = ANY($1)) AND ($2::uuid IS NULL OR r.campaign_id = $2) AND ($3::boolean IS NULL OR c.simulated = $3)
		ORDER BY r.queued_at, r.id`, named, orNil(ask.Campaign), world)
	if err != nil {
		return nil, false, fmt.Errorf("jobs: choosing runs to judge again: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[chosenRun])
	if err != nil {
		return nil, false, fmt.Errorf("jobs: choosing runs to judge again: %w", err)
	}
	if problems := ask.refusals(found); len(problems) > 0 {
		return nil, false, &NotJudgeableError{problems}
	}
	return batches(found)
}

func orNil(id uuid.UUID) *uuid.UUID {
	if id == uuid.Nil {
		return nil
	}
	return &id
}

// refusals are the reasons why runs that were named cannot be judged again.
func (ask Rejudge) refusals(found []chosenRun) []string {
	byID := map[uuid.UUID]chosenRun{}
	for _, r := range found {
		byID[r.ID] = r
	}
	var problems []string
	seen := map[uuid.UUID]bool{}
	for _, id := range ask.Runs {
		r, known := byID[id]
		switch {
		case seen[id]:
			continue
		case !known:
			problems = append(problems, fmt.Sprintf("run %s is not known; see benchyard run list", id))
		case !r.State.Final():
			problems = append(problems, fmt.Sprintf("run %s is %s; wait for its end or cancel it", id, r.State))
		case r.Judged == 0:
			problems = append(problems, fmt.Sprintf("run %s has no judged case: nothing was measured", id))
		}
		seen[id] = true
	}
	return problems
}

// batches leaves out what cannot be judged and numbers the rest.
func batches(found []chosenRun) (runs []results.JudgementRun, simulated bool, err error) {
	batch, traces, members := 1, 0, 0
	for _, r := range found {
		if !r.State.Final() || r.Judged == 0 {
			continue
		}
		if len(runs) == 0 {
			simulated = r.Simulated
		}
		if r.Simulated != simulated {
			return nil, false, &NotJudgeableError{[]string{"some of the runs are simulated and some are real; judge them apart"}}
		}
		if members > 0 && (members == batchRuns || traces+r.Traces > batchTraces) {
			batch, traces, members = batch+1, 0, 0
		}
		members, traces = members+1, traces+r.Traces
		runs = append(runs, results.JudgementRun{Run: r.ID, Batch: batch, Traces: r.Traces, Before: r.Verdict})
	}
	if len(runs) == 0 {
		return nil, false, &NotJudgeableError{[]string{"no run of the selection has ended with a judged case"}}
	}
	return runs, simulated, nil
}

// judgementEvent is the kind of event that a judgement begins or ends with.
const judgementEvent = "judgement"

func judgementChange(id uuid.UUID, state State, by, text string) change {
	return change{kind: judgementEvent, body: eventBody{State: state, By: by, Text: text, Judgement: id.String()}}
}
