package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// storeLimit is how long storing a segment may take; it does not end with the
// work, since what was measured is worth keeping when the agent stops.
const storeLimit = 30 * time.Second

// errGone says that the run is not active any more: it was cancelled.
var errGone = errors.New("the run has ended meanwhile")

// outcome is what came of a segment.
type outcome struct {
	cases  []results.Case
	err    string // why the segment could not be measured to its end; empty: it was
	ends   bool   // the run ends here
	broken bool   // because the bench failed
	skip   string // why the segments after this one are not run
	pause  string // why the run goes back to the queue after this one; empty: it goes on
}

// store writes the outcome of a segment, its transcript and what follows from
// it - the next ticket or the end of the run - in one fenced transaction.
func (t *tenure) store(ctx context.Context, s *segment, o outcome) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeLimit)
	defer cancel()
	// Without the lease nothing can be stored any more, and the bench waits for
	// its safe state: a database that does not answer must not hold that up.
	release := context.AfterFunc(t.ctx, func() {
		if errors.Is(context.Cause(t.ctx), errFenced) {
			cancel()
		}
	})
	defer release()
	big := t.keepBig(ctx, o.cases)
	err := t.fencedRun(ctx, s.run, func(tx pgx.Tx) error { return t.write(ctx, tx, s, o, big) })
	switch {
	case errors.Is(err, errFenced), errors.Is(err, errGone):
		t.log.InfoContext(ctx, "segment discarded", "run", s.run, "segment", s.number, "cause", err)
	case err != nil:
		// The segment stays 'running'; the sweeper gives it another ticket.
		t.log.ErrorContext(ctx, "the segment was not stored and will be measured again", "run", s.run, "segment", s.number, "error", err)
	}
	s.became = "stored"
	if err != nil { // nobody knows when work goes on
		s.became = "not stored"
		_ = t.makeSafe("the segment was not stored") // in alarm and logged if not confirmed
	}
}

// fencedRun is lease.fenced for a run that must still be active.
func (t *tenure) fencedRun(ctx context.Context, run uuid.UUID, f func(pgx.Tx) error) error {
	return t.lease.fenced(ctx, func(tx pgx.Tx) error {
		var one int
		err := tx.QueryRow(ctx, `SELECT 1 FROM run WHERE id = $1 AND state = 'active' FOR UPDATE`, run).Scan(&one)
		if errors.Is(err, pgx.ErrNoRows) {
			return fmt.Errorf("jobs: run %s: %w", run, errGone)
		}
		if err != nil {
			return fmt.Errorf("jobs: run %s: %w", run, err)
		}
		return f(tx)
	})
}

func (t *tenure) write(ctx context.Context, tx pgx.Tx, s *segment, o outcome, transcript said) error {
	if err := results.InsertCases(ctx, tx, s.run, s.number, s.numbered(o.cases, true)); err != nil {
		return err
	}
	if err := writeTranscript(ctx, tx, s, transcript); err != nil {
		return err
	}
	if err := writeSteps(ctx, tx, s); err != nil {
		return err
	}
	if err := endSegment(ctx, tx, s.run, s.number, o.err); err != nil {
		return err
	}
	changes := []change{{kind: segmentEvent, campaign: &s.campaign, run: &s.run, bench: t.bench,
		body: eventBody{Segment: s.number, Serial: s.mountSerial(), Cases: len(o.cases), Text: "stored"}}}
	if !o.ends && o.pause != "" {
		paused, err := t.requeue(ctx, tx, s, o.pause, 0)
		if err != nil {
			return err
		}
		return emit(ctx, tx, append(changes, paused)...)
	}
	if !o.ends {
		if err := t.agent.issue(ctx, tx, t.bench, ticket{Run: s.run, Segment: s.number + 1}); err != nil {
			return err
		}
		return emit(ctx, tx, changes...)
	}
	if err := skipRest(ctx, tx, t, s, o); err != nil {
		return err
	}
	if o.broken {
		if _, err := tx.Exec(ctx, `UPDATE run SET error = $2 WHERE id = $1`, s.run, o.err); err != nil {
			return fmt.Errorf("jobs: run %s: %w", s.run, err)
		}
	}
	closed, err := closeRun(ctx, tx, s.run, t.bench)
	if err != nil {
		return err
	}
	return emit(ctx, tx, append(changes, closed...)...)
}

// mountSerial is the serial number, where the segment got as far as knowing it.
func (s *segment) mountSerial() string {
	if s.mount == nil {
		return ""
	}
	return s.mount.unit.Serial
}

// skipRest stores the cases of the segments that are not measured any more.
func skipRest(ctx context.Context, tx pgx.Tx, t *tenure, s *segment, o outcome) error {
	for i, rest := range s.rest {
		number := s.number + 1 + i
		var cases []results.Case
		for _, c := range rest.Cases {
			cases = append(cases, t.unmeasured(c, conformance.NotRun, ""))
		}
		if err := results.InsertCases(ctx, tx, s.run, number, cases); err != nil {
			return err
		}
		if err := endSegment(ctx, tx, s.run, number, o.skip); err != nil {
			return err
		}
	}
	return nil
}

// endSegment marks a segment as stored; with a reason when it was not measured
// to its end.
func endSegment(ctx context.Context, tx pgx.Tx, run uuid.UUID, number int, why string) error {
	_, err := tx.Exec(ctx, `UPDATE run_segment SET state = CASE WHEN $3 = '' THEN 'done' ELSE 'error' END,
		error = nullif($3, ''), finished_at = now() WHERE run_id = $1 AND number = $2`, run, number, why)
	if err != nil {
		return fmt.Errorf("jobs: segment %d of run %s: %w", number, run, err)
	}
	return nil
}

// closeRun counts the run and ends it. A run with a case in error is itself in
// error: it says nothing about the unit. A done run of the golden unit of the
// bench may hold the bench.
func closeRun(ctx context.Context, tx pgx.Tx, run uuid.UUID, bench string) ([]change, error) {
	verdict, err := results.CloseRun(ctx, tx, run)
	if err != nil {
		return nil, err
	}
	c := change{kind: runEvent, run: &run, campaign: new(uuid.UUID), bench: bench, body: eventBody{Verdict: string(verdict)}}
	err = tx.QueryRow(ctx, `
		UPDATE run SET verdict = CASE WHEN error IS NULL THEN $2 ELSE 'error' END,
		       state = CASE WHEN $2 = 'error' OR error IS NOT NULL THEN 'error' ELSE 'done' END, finished_at = now()
		WHERE id = $1 RETURNING campaign_id, serial, state, verdict`, run, verdict).
		Scan(c.campaign, &c.body.Serial, &c.body.State, &c.body.Verdict)
	if err != nil {
		return nil, fmt.Errorf("jobs: closing run %s: %w", run, err)
	}
	held, err := checkGolden(ctx, tx, run, bench)
	return append([]change{c}, held...), err
}

// closeRun ends a run whose last segment is stored already.
func (t *tenure) closeRun(ctx context.Context, tx pgx.Tx, run uuid.UUID) error {
	closed, err := closeRun(ctx, tx, run, t.bench)
	if err != nil {
		return err
	}
	return emit(ctx, tx, closed...)
}

// putBack makes an interrupted segment wait for the next holder.
func (t *tenure) putBack(ctx context.Context, s *segment, records []results.Case) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeLimit)
	defer cancel()
	err := t.fencedRun(ctx, s.run, func(tx pgx.Tx) error {
		if err := s.keepFails(ctx, tx, records); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `UPDATE run_segment SET state = 'pending', attempts = attempts - 1, token = NULL, started_at = NULL
			WHERE run_id = $1 AND number = $2 AND state = 'running'`, s.run, s.number)
		if err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: segmentEvent, campaign: &s.campaign, run: &s.run, bench: t.bench,
			body: eventBody{Segment: s.number, Serial: s.mountSerial(), Text: "interrupted"}})
	})
	s.became = "put back"
	if err != nil {
		t.log.WarnContext(ctx, "the segment stays claimed until the next holder comes", "run", s.run, "segment", s.number, "error", err)
	}
}
