package jobs

import (
	"context"
	"fmt"
	"hash/fnv"
	"slices"
	"time"

	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
	"benchyard/jobs/results"

	"github.com/jackc/pgx/v5"
)

// takeWithRetests takes cases, and those that failed again as the plan says, all of
// them as attempts in their order. An error of a re-test leaves what was measured
// before: a fail does not go away because it could not be repeated.
func (t *tenure) takeWithRetests(ctx context.Context, s *segment) ([]results.Case, error) {
	var records []results.Case
	cases := s.cases
	for round := 0; ; round++ {
		all, err := t.takeAll(ctx, s, cases)
		if err == nil {
			err = t.takeFloors(ctx, s, all)
		}
		for _, k := range all {
			if k.judged || round == 0 {
				records = append(records, t.recordOf(k))
			}
		}
		if err != nil {
			return records, err
		}
		if cases = s.toRetest(cases, records); len(cases) == 0 {
			return records, nil
		}
		t.log.InfoContext(ctx, "cases that failed are measured again", "run", s.run, "segment", s.number, "cases", len(cases))
	}
}

// toRetest returns which of the cases just taken are to be measured again. So many
// that they are no accident are not.
func (s *segment) toRetest(taken []plan.Case, records []results.Case) []plan.Case {
	policy := s.plan.Retest
	tries, last := map[string]int{}, map[string]results.Case{}
	for _, r := range records {
		tries[r.Key]++
		last[r.Key] = r
	}
	again := slices.DeleteFunc(slices.Clone(taken), func(c plan.Case) bool {
		return !failed(last[c.Key]) || s.prior[c.Key]+tries[c.Key] > policy.Fails
	})
	if policy.Most > 0 && len(again) > policy.Most {
		return nil
	}
	return again
}

func failed(c results.Case) bool {
	return c.Verdict == conformance.Fail || c.Verdict == conformance.ConditionalFail
}

// numbered gives the records of a segment the numbers of their attempts, and says
// which of them count: the last one at each case. With none of them counting, they are
// what is kept of a segment that will be measured again.
func (s *segment) numbered(records []results.Case, counting bool) []results.Case {
	numbered, newest := slices.Clone(records), map[string]int{}
	tries := map[string]int{}
	for i := range numbered {
		c := &numbered[i]
		tries[c.Key]++
		c.Attempt, c.Superseded = s.prior[c.Key]+tries[c.Key], true
		newest[c.Key] = i
	}
	for _, i := range newest {
		numbered[i].Superseded = !counting
	}
	return numbered
}

// keepFails stores the fails of an attempt at a segment that is not stored otherwise:
// under a re-test policy a verdict of fail is never lost.
func (s *segment) keepFails(ctx context.Context, tx pgx.Tx, records []results.Case) error {
	if s.plan == nil || s.plan.Retest.Fails == 0 {
		return nil
	}
	fails := s.numbered(slices.DeleteFunc(slices.Clone(records), func(c results.Case) bool { return !failed(c) }), false)
	return results.InsertCases(ctx, tx, s.run, s.number, fails)
}

// priorAttempts returns how many attempts at each case of a segment are stored.
func priorAttempts(ctx context.Context, tx pgx.Tx, s *segment) (map[string]int, error) {
	rows, err := tx.Query(ctx, `SELECT case_key, max(attempt) FROM measured_case WHERE run_id = $1 AND segment = $2 GROUP BY case_key`, s.run, s.number)
	if err != nil {
		return nil, err
	}
	prior := map[string]int{}
	var key string
	var attempts int
	_, err = pgx.ForEachRow(rows, []any{&key, &attempts}, func() error {
		prior[key] = attempts
		return nil
	})
	return prior, err
}

// backOff returns how long to wait before the segment is tried again.
func (s *segment) backOff() time.Duration {
	seed := fnv.New64a()
	_, _ = fmt.Fprint(seed, s.run, s.number) // a hash takes everything
	return s.plan.BackOff.Delay(s.failures+1, seed.Sum64())
}

// retry keeps what was said in a failed attempt and counts it. Without a wait the
// bench goes on with the next attempt; else the run goes back to the queue until it is
// due, and the bench does other work meanwhile.
func (t *tenure) retry(ctx context.Context, s *segment, records []results.Case, cause error, wait time.Duration) error {
	big := t.keepBig(ctx, records)
	err := t.fencedRun(ctx, s.run, func(tx pgx.Tx) error {
		if err := s.keepFails(ctx, tx, records); err != nil {
			return err
		}
		if err := writeTranscript(ctx, tx, s, big); err != nil {
			return err
		}
		if err := writeSteps(ctx, tx, s); err != nil {
			return err
		}
		var err error
		if s.prior, err = priorAttempts(ctx, tx, s); err != nil {
			return err
		}
		err = tx.QueryRow(ctx, `
			UPDATE run_segment SET failures = failures + 1, error = $3, attempts = attempts + CASE WHEN $4 THEN 0 ELSE 1 END,
			       state = CASE WHEN $4 THEN 'pending' ELSE state END
			WHERE run_id = $1 AND number = $2 RETURNING attempts, failures`, s.run, s.number, cause.Error(), wait > 0).Scan(&s.attempt, &s.failures)
		if err != nil {
			return fmt.Errorf("jobs: segment %d of run %s: %w", s.number, s.run, err)
		}
		changes := []change{{kind: segmentEvent, campaign: &s.campaign, run: &s.run, bench: t.bench,
			body: eventBody{Segment: s.number, Serial: s.mountSerial(), Text: "again: " + cause.Error()}}}
		if wait > 0 {
			why := fmt.Sprintf("segment %d is tried again, retry %d of %d: %v", s.number, s.failures, s.plan.Retries, cause)
			c, err := t.requeue(ctx, tx, s, why, wait)
			if err != nil {
				return err
			}
			changes = append(changes, c)
		}
		return emit(ctx, tx, changes...)
	})
	if err != nil {
		t.log.WarnContext(ctx, "the segment is not tried again", "run", s.run, "segment", s.number, "error", err)
	}
	return err
}

// pauseAsked returns why the run should make room at the next boundary, empty where it
// goes on. A database that does not answer is no reason.
func (t *tenure) pauseAsked(ctx context.Context, s *segment) string {
	var why string
	err := t.agent.Pool.QueryRow(ctx, `SELECT coalesce(pause_requested, '') FROM run WHERE id = $1`, s.run).Scan(&why)
	if err != nil && ctx.Err() == nil {
		t.log.WarnContext(ctx, "whether the run should make room", "run", s.run, "error", err)
	}
	if why == "" {
		return ""
	}
	return fmt.Sprintf("paused after segment %d of %d: %s", s.number, s.number+len(s.rest), why)
}

// requeue sends the active run back to the queue, where it waits for its turn, and at
// least so long. It goes on at its first unfinished segment.
func (t *tenure) requeue(ctx context.Context, tx pgx.Tx, s *segment, why string, wait time.Duration) (change, error) {
	_, err := tx.Exec(ctx, `UPDATE run SET state = 'queued', blocked = NULL, pause_requested = NULL, paused = $2,
		due_at = CASE WHEN $3::float8 > 0 THEN clock_timestamp() + $3 * interval '1 second' END WHERE id = $1`, s.run, why, wait.Seconds())
	if err != nil {
		return change{}, fmt.Errorf("jobs: run %s goes back to the queue: %w", s.run, err)
	}
	return change{kind: runEvent, campaign: &s.campaign, run: &s.run, bench: t.bench,
		body: eventBody{State: Queued, Serial: s.mountSerial(), Text: why}}, nil
}
