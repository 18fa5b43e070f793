package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// RunStep is one step of bring-up or retune that a run came to.
type RunStep struct {
	Segment  int
	Attempt  int // of the segment
	Number   int // within the attempt, from 1
	Name     string
	Outcome  string // a bringup.Outcome
	Detail   string // what came of it, or the error
	Tries    int    // 0 where the unit did it by itself
	BeganAt  time.Time
	Duration float64 // s
}

// StepsOf returns the steps of a run in the order in which they were taken.
func StepsOf(ctx context.Context, db DB, run uuid.UUID) ([]RunStep, error) {
	rows, err := db.Query(ctx, `SELECT segment, attempt, number, name, outcome, detail, tries, began_at, duration_s
		FROM run_step WHERE run_id = $1 ORDER BY segment, attempt, number`, run)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading steps of run %s: %w", run, err)
	}
	steps, err := pgx.CollectRows(rows, pgx.RowToStructByPos[RunStep])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading steps of run %s: %w", run, err)
	}
	return steps, nil
}

// writeSteps stores the steps of one attempt. An attempt that was put back may be
// counted under the same number again: the later one stands.
func writeSteps(ctx context.Context, tx pgx.Tx, s *segment) error {
	_, err := tx.Exec(ctx, `DELETE FROM run_step WHERE run_id = $1 AND segment = $2 AND attempt = $3`, s.run, s.number, s.attempt)
	if err == nil {
		_, err = tx.CopyFrom(ctx, pgx.Identifier{"run_step"},
			[]string{"run_id", "segment", "attempt", "number", "name", "outcome", "detail", "tries", "began_at", "duration_s"},
			pgx.CopyFromSlice(len(s.steps), func(i int) ([]any, error) {
				r := s.steps[i]
				return []any{s.run, s.number, s.attempt, i + 1, r.Name, string(r.Outcome), r.Detail, r.Tries, r.Began, r.Took.Seconds()}, nil
			}))
	}
	if err != nil {
		return fmt.Errorf("jobs: steps of segment %d of run %s: %w", s.number, s.run, err)
	}
	return nil
}

// keepSteps stores the steps of an attempt that is dropped: what was done to the unit of
// a cancelled run is part of its record. Who lost the lease stores nothing.
func (t *tenure) keepSteps(ctx context.Context, s *segment) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeLimit)
	defer cancel()
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error { return writeSteps(ctx, tx, s) })
	if err != nil && !errors.Is(err, errFenced) {
		t.log.WarnContext(ctx, "the steps of a dropped segment were not stored", "run", s.run, "segment", s.number, "error", err)
	}
}
