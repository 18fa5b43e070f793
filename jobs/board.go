package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// setActivity writes on the board what the bench is doing. The board is for
// people: work does not stop when it cannot be written.
func (t *tenure) setActivity(ctx context.Context, activity Activity, doing string, run *uuid.UUID) {
	err := transact(ctx, t.agent.Pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
			UPDATE bench SET activity = $3, doing = $4, run_id = $5, updated_at = now()
			WHERE name = $1 AND EXISTS (SELECT 1 FROM bench_lease WHERE bench = $1 AND token = $2)`,
			t.bench, t.lease.token, activity, doing, run)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		return emit(ctx, tx, change{kind: benchEvent, bench: t.bench, run: run, body: eventBody{Activity: activity, Doing: doing}})
	})
	if err != nil {
		activity = "" // nobody knows what the board says
		if ctx.Err() == nil {
			t.log.WarnContext(ctx, "the board was not written", "error", err)
		}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.activity = activity
}

// rest says that the bench waits for work, once.
func (t *tenure) rest(ctx context.Context) {
	t.mu.Lock()
	resting := t.activity == Idle
	t.mu.Unlock()
	if !resting {
		t.setActivity(ctx, Idle, "", nil)
	}
}

// makeSafe drives the bench to its safe state and returns nil when that is
// confirmed. If not, the bench is in alarm until a later attempt is confirmed
// or a person clears it. It works without the database and without ctx of the
// work it ends: only the lease's last deadline limits it.
func (t *tenure) makeSafe(reason string) error {
	ctx := context.WithoutCancel(t.ctx)
	t.endAhead(errAllEnd)
	if t.rig.isSafe() {
		return nil
	}
	t.log.InfoContext(ctx, "driving the bench to its safe state", "reason", reason)
	began := time.Now()
	report := t.rig.makeSafe(ctx)
	err := report.Err()
	t.ahead.found()
	t.agent.Figures.SafeState(t.bench, err == nil, time.Since(began))
	if errors.Is(t.lease.guardSafe(), errFenced) {
		// Too late to touch anything: the next holder begins with the safe state.
		t.log.ErrorContext(ctx, "safe state cut short by the end of the lease", "reason", reason, "error", err)
		return err
	}
	if err != nil {
		t.log.ErrorContext(ctx, "ALARM: safe state not confirmed", "reason", reason, "error", err)
	} else {
		t.log.InfoContext(ctx, "safe state confirmed", "reason", reason, "steps", len(report.Steps))
	}
	t.mu.Lock()
	t.tried, t.alarm, t.told = time.Now(), err, false
	t.mu.Unlock()
	t.raiseAlarm(err)
	return err
}

// raiseAlarm stores an alarm, or with a nil cause that there is none any more.
func (t *tenure) raiseAlarm(cause error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.ctx), t.agent.Timings.SafeStep)
	defer cancel()
	text := ""
	if cause != nil {
		text = cause.Error()
	}
	held := ""
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO bench_alarm (bench, reason) SELECT name, $2 FROM bench WHERE name = $1 AND alarm IS NULL AND $2 <> ''`, t.bench, text); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `
			UPDATE bench SET alarm = nullif($2, ''), updated_at = now(),
			       activity = CASE WHEN $2 <> '' THEN 'alarm' ELSE 'safe' END,
			       doing = CASE WHEN $2 <> '' THEN 'look at the bench: ' || $2 ELSE 'safe state confirmed' END
			WHERE name = $1 AND ($2 <> '' OR alarm IS NOT NULL)`, t.bench, text)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		activity := Safe
		if cause != nil {
			activity = Alarm
		}
		why, changes, err := t.distrust(ctx, tx)
		if err != nil {
			return err
		}
		held = why
		return emit(ctx, tx, append(changes, change{kind: benchEvent, bench: t.bench, body: eventBody{Activity: activity, Alarm: text}})...)
	})
	if err != nil {
		t.log.ErrorContext(ctx, "whether the bench is in alarm was not stored", "alarm", text, "error", err)
		return
	}
	if held != "" {
		t.log.ErrorContext(ctx, "the bench is held", "reason", held)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.told = true
	t.activity = Safe
	if cause != nil {
		t.activity = Alarm
	}
}

// benchRow is what the tables say about the bench now.
type benchRow struct {
	hold, alarm string
	run         *uuid.UUID // active run
}

func (t *tenure) look(ctx context.Context) (benchRow, error) {
	var b benchRow
	err := t.agent.Pool.QueryRow(ctx, `
		SELECT coalesce(hold_reason, ''), coalesce(alarm, ''),
		       (SELECT id FROM run WHERE bench = name AND state = 'active')
		FROM bench WHERE name = $1`, t.bench).Scan(&b.hold, &b.alarm, &b.run)
	if err != nil {
		return b, fmt.Errorf("jobs: reading bench %s: %w", t.bench, err)
	}
	return b, nil
}
