package jobs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"time"

	"benchyard/jobs/bringup"
	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// crashes is how often a segment may take its agent down with it before it is
// given up, beside the retries of the plan.
const crashes = 4

// segment is one checkpoint of a run, with all that is needed to measure it.
type segment struct {
	run      uuid.UUID
	campaign uuid.UUID
	number   int
	title    string
	attempt  int            // counts claims and retries, from 1
	failures int            // attempts before that ended in an error
	prior    map[string]int // attempts at its cases that are stored, by their keys
	build    string
	plan     *plan.Plan
	mount    *mount
	cases    []plan.Case
	rest     []plan.Segment   // those after this one
	total    int              // cases of the run
	steps    []bringup.Record // of this attempt, in their order
	became   string           // of it in the tables, in a word; empty: nothing
}

// work is one ticket: claim its segment, measure it, store it. It returns when
// the outcome stands in the tables or is not ours to write.
func (k *keeper) work(ctx context.Context, tk ticket) {
	t := k.held()
	if t == nil {
		return
	}
	ctx, end, ok := t.begin(ctx, tk.Run)
	if !ok {
		return
	}
	defer end()
	began := time.Now()
	s, err := t.claim(ctx, tk)
	if s != nil {
		defer func() { t.agent.Figures.Segment(t.bench, cmp.Or(s.became, "dropped"), time.Since(began)) }()
	}
	switch {
	case err != nil && s != nil: // claimed, but it cannot be measured at all
		t.fail(ctx, s, nil, benchFailure{err})
	case err != nil:
		t.log.WarnContext(ctx, "the segment was not claimed", "run", tk.Run, "segment", tk.Segment, "error", err)
		_ = t.makeSafe("the segment was not claimed") // in alarm and logged if not confirmed
	case s != nil:
		t.measure(ctx, s)
	}
	t.share(ctx)
}

// measure works on a claimed segment until it is stored, put back or dropped.
// Whatever goes wrong, the bench is driven to its safe state first.
func (t *tenure) measure(ctx context.Context, s *segment) {
	for {
		cases, err := t.attempt(ctx, s)
		if err == nil {
			t.finish(ctx, s, cases)
			return
		}
		cause := context.Cause(ctx)
		unsafe := t.makeSafe(err.Error())
		switch {
		case errors.Is(err, errFenced) || errors.Is(cause, errFenced), errors.Is(cause, errCancelled):
			t.log.InfoContext(ctx, "segment dropped", "run", s.run, "segment", s.number, "cause", err)
			t.keepSteps(ctx, s)
			return
		case errors.Is(err, errStopping) || cause != nil && !errors.Is(cause, errTooLong):
			t.putBack(ctx, s, cases)
			return
		case cause == nil && s.failures < s.plan.Retries && !notDone(err):
			wait := s.backOff()
			t.log.WarnContext(ctx, "segment failed, trying again", "run", s.run, "segment", s.number, "after", wait, "error", err)
			if t.retry(ctx, s, cases, err, wait) == nil && wait == 0 {
				continue
			}
			return
		}
		if unsafe != nil {
			err = benchFailure{fmt.Errorf("%w; %w", err, unsafe)}
		}
		t.fail(ctx, s, cases, err)
		return
	}
}

// benchFailure marks an error that says nothing about one case: no other case
// could be measured either.
type benchFailure struct{ error }

func (f benchFailure) Unwrap() error { return f.error }

// attempt measures the cases of the segment in their order, then all the noise floors
// that they want with the unit muted once, and then again what failed. It returns the
// cases it came to, with the error that ended the attempt.
func (t *tenure) attempt(ctx context.Context, s *segment) (cases []results.Case, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("jobs: panic: %v", p)
			t.log.ErrorContext(ctx, "panic while measuring", "run", s.run, "segment", s.number, "panic", p, "stack", string(debug.Stack()))
		}
		if err != nil {
			t.agent.Figures.Failure(t.bench, kindOf(err))
		}
	}()
	t.rig.transcript.reset()
	s.steps = nil
	if err := t.gatherFor(ctx, s); err != nil {
		return nil, err
	}
	if err := t.bringUp(ctx, s); err != nil {
		return nil, err
	}
	t.prepareNext(ctx, s)
	return t.takeWithRetests(ctx, s)
}

// finish stores a measured segment. Where the run ends here, or work must not
// go on, the bench is driven to its safe state before that.
func (t *tenure) finish(ctx context.Context, s *segment, cases []results.Case) {
	o := outcome{cases: cases, ends: len(s.rest) == 0}
	if s.plan.OnFail == plan.Stop && anyFailed(cases) && !o.ends {
		o.ends, o.skip = true, "not run: a case failed and the plan says on_fail: stop"
	}
	if !o.ends {
		o.pause = t.pauseAsked(ctx, s)
	}
	if (o.ends || o.pause != "" || t.interrupted(ctx) != nil) && !t.handOver(ctx, s, o) {
		_ = t.makeSafe("end of run") // in alarm and logged if not confirmed; the figures stand
	}
	t.store(ctx, s, o)
}

// fail stores a segment that could not be measured: what was measured, the
// case that ended it as error, the rest as not run. A failure of the bench ends
// the run.
func (t *tenure) fail(ctx context.Context, s *segment, cases []results.Case, cause error) {
	o := outcome{cases: cases, err: cause.Error(), ends: len(s.rest) == 0}
	for i, c := range s.unmet(cases) {
		if i == 0 {
			o.cases = append(o.cases, t.unmeasured(c, conformance.ErrorVerdict, cause.Error()))
			continue
		}
		o.cases = append(o.cases, t.unmeasured(c, conformance.NotRun, ""))
	}
	var bench benchFailure
	if errors.As(cause, &bench) {
		o.ends, o.broken, o.skip = true, true, "not run: the bench failed before"
	}
	if o.ends {
		_ = t.makeSafe("end of run") // nothing to do when it is confirmed already
	}
	t.store(ctx, s, o)
}

// unmet returns the cases of the segment without a record.
func (s *segment) unmet(records []results.Case) []plan.Case {
	return slices.DeleteFunc(slices.Clone(s.cases), func(c plan.Case) bool {
		return slices.ContainsFunc(records, func(r results.Case) bool { return r.Key == c.Key })
	})
}

func (t *tenure) unmeasured(c plan.Case, v conformance.Verdict, why string) results.Case {
	rc := describe(c)
	rc.Verdict, rc.Error, rc.MeasuredAt = v, why, t.agent.Clock()
	return rc
}

// describe copies the conditions of a case into its record.
func describe(c plan.Case) results.Case {
	return results.Case{
		Key: c.Key, Clause: c.Clause, Band: c.Carrier.Band, RFChannel: c.Carrier.Channel,
		CarrierHz: float64(c.Carrier.Center), BandwidthHz: float64(c.Carrier.Bandwidth), SCSHz: float64(c.Carrier.SCS),
		Connector: c.Connector, Position: c.Position, TestModel: c.TestModel, Configuration: c.Configuration, Carriers: c.Carriers,
	}
}

// anyFailed reports whether the last attempt at a case failed.
func anyFailed(cases []results.Case) bool {
	last := map[string]results.Case{}
	for _, c := range cases {
		last[c.Key] = c
	}
	for _, c := range last {
		if failed(c) {
			return true
		}
	}
	return false
}

// claim makes the segment of a ticket ours. It returns nil when there is
// nothing to do: the segment is done, not the next one, or the run has ended.
func (t *tenure) claim(ctx context.Context, tk ticket) (*segment, error) {
	s := &segment{run: tk.Run, number: tk.Segment}
	var row claimed
	due := false
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		var err error
		if due, err = row.load(ctx, tx, tk, t.bench); err != nil || !due {
			return err
		}
		err = tx.QueryRow(ctx, `
			UPDATE run_segment SET state = 'running', token = $3, attempts = attempts + 1, started_at = now(), error = NULL,
			       lab_id = (SELECT lab_id FROM run WHERE id = $1)
			WHERE run_id = $1 AND number = $2 RETURNING attempts, failures, title`, tk.Run, tk.Segment, t.lease.token).
			Scan(&s.attempt, &s.failures, &s.title)
		if err != nil {
			return fmt.Errorf("jobs: claiming segment %d of run %s: %w", tk.Segment, tk.Run, err)
		}
		if s.prior, err = priorAttempts(ctx, tx, s); err != nil {
			return fmt.Errorf("jobs: claiming segment %d of run %s: %w", tk.Segment, tk.Run, err)
		}
		return emit(ctx, tx, change{kind: segmentEvent, campaign: &row.Campaign, run: &tk.Run, bench: t.bench,
			body: eventBody{Segment: tk.Segment, Serial: row.Serial, Text: "running"}})
	})
	if err != nil || !due {
		return nil, err
	}
	s.campaign, s.build, s.total = row.Campaign, row.Build, row.Cases
	if err := t.expand(ctx, s, row); err != nil {
		return s, err
	}
	if ended := s.attempt - 1 - s.failures; ended > crashes {
		return s, fmt.Errorf("jobs: the segment ended its agent %d times", ended)
	}
	return s, nil
}

// claimed is what the tables say about a run that is to be worked on.
type claimed struct {
	Campaign uuid.UUID
	Serial   string
	Build    string
	LabID    int64
	Document string
	Cases    int
}

// load reads and locks the run; false when the ticket is of no use any more.
func (c *claimed) load(ctx context.Context, tx pgx.Tx, tk ticket, bench string) (bool, error) {
	var active bool
	var next *int
	err := tx.QueryRow(ctx, `
		SELECT r.campaign_id, r.serial, c.build, coalesce(r.lab_id, c.lab_id), p.document, r.cases, r.state = 'active' AND r.bench = $2,
		       (SELECT min(number) FROM run_segment s WHERE s.run_id = r.id AND s.state IN ('pending', 'running'))
		FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN plan_version p ON p.id = c.plan_id
		WHERE r.id = $1 FOR UPDATE OF r`, tk.Run, bench).
		Scan(&c.Campaign, &c.Serial, &c.Build, &c.LabID, &c.Document, &c.Cases, &active, &next)
	if errors.Is(err, pgx.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("jobs: reading run %s: %w", tk.Run, err)
	}
	return active && next != nil && *next == tk.Segment, nil
}

// expand finds the cases of the segment: plan and inventory are immutable
// versions, so that every process finds the same ones.
func (t *tenure) expand(ctx context.Context, s *segment, row claimed) error {
	l, err := t.agent.labVersion(ctx, row.LabID)
	if err != nil {
		return err
	}
	if s.plan, err = plan.Parse("stored plan", []byte(row.Document)); err != nil {
		return fmt.Errorf("jobs: the stored plan: %w", err)
	}
	if s.mount, err = findMount(l, row.Serial); err != nil {
		return err
	}
	cases, err := plan.Expand(s.plan, s.mount.target())
	if err != nil {
		return err
	}
	segments := plan.Segments(cases)
	if len(cases) != row.Cases || s.number > len(segments) {
		return fmt.Errorf("jobs: the plan gives %d cases in %d segments now, it gave %d when it was submitted: submit it again with this version of the program",
			len(cases), len(segments), row.Cases)
	}
	s.cases, s.rest = segments[s.number-1].Cases, segments[s.number:]
	return nil
}
