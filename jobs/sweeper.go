package jobs

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// tick looks at the tables and does the next thing: end work on a cancelled
// run, try again to make a bench in alarm safe, replace a lost ticket, begin the
// next path task, release the next run. It is called when something happened and now and then.
func (t *tenure) tick(ctx context.Context) error {
	row, err := t.look(ctx)
	if err != nil {
		return err
	}
	if err := t.heedAhead(ctx); err != nil {
		return err
	}
	t.mu.Lock()
	current, tried, alarm, told := t.work, t.tried, t.alarm, t.told
	t.mu.Unlock()
	switch {
	case current != nil && current.path != uuid.Nil:
		return t.heedPath(ctx, current)
	case current != nil:
		if current.run != uuid.Nil && (row.run == nil || *row.run != current.run) {
			current.cancel(errCancelled)
			return nil
		}
		if current.run != uuid.Nil {
			return t.yield(ctx, current.run)
		}
		return nil
	case alarm != nil && !told: // the tables must know before they can say that it was cleared
		t.raiseAlarm(alarm)
		return t.block(ctx, "the bench is in alarm: "+alarm.Error())
	case row.alarm != "" && time.Since(tried) < t.agent.Timings.SafeRetry:
		return t.block(ctx, "the bench is in alarm: "+row.alarm)
	case row.alarm != "":
		if !t.secure(ctx, "alarm") {
			return t.block(ctx, "the bench is in alarm: "+row.alarm)
		}
	default:
		t.cleared()
	}
	switch {
	case t.ahead.lost() != nil && !t.secure(ctx, "a unit that was prepared is not confirmed off"):
		return t.block(ctx, "the bench is in alarm: its safe state is not confirmed")
	case row.run != nil:
		return t.sweep(ctx, *row.run)
	case !t.rig.isSafe() && (row.hold != "" || !t.ahead.follows()) && !t.secure(ctx, "the run has ended"):
		// It was cancelled between two segments, with its carrier on the air.
		return t.block(ctx, "the bench is in alarm: its safe state is not confirmed")
	case t.abandoned && time.Since(tried) >= t.agent.Timings.Recheck && !t.secure(ctx, "its last holder vanished and may wake"):
		return t.block(ctx, "the bench is in alarm: its safe state is not confirmed")
	}
	t.shareIdle(ctx)
	if before, err := t.nextPath(ctx); before || err != nil {
		return err
	}
	err = t.release(ctx, row.hold)
	if t.ahead.follows() { // whatever was prepared cannot be taken after all
		_ = t.secure(ctx, "nothing follows that was prepared") // in alarm and logged if not confirmed
	}
	return err
}

// secure drives a bench without work to its safe state and reports whether
// that is confirmed. No segment can begin meanwhile.
func (t *tenure) secure(ctx context.Context, reason string) bool {
	_, end, ok := t.begin(ctx, uuid.Nil)
	if !ok {
		return false
	}
	defer end()
	t.rig.unsafe()
	return t.makeSafe(reason) == nil
}

// cleared notices that the alarm is gone: a person has cleared it.
func (t *tenure) cleared() {
	t.mu.Lock()
	was := t.alarm
	t.alarm = nil
	t.mu.Unlock()
	if was != nil {
		t.rig.inspected()
	}
}

// sweep gives the active run of the bench a new ticket when it has none: its
// process was killed, or the ticket was lost. River would bring it back too,
// but only after the longest time that a segment may take. A ticket too many
// does no harm.
func (t *tenure) sweep(ctx context.Context, run uuid.UUID) error {
	t.mu.Lock()
	due := !t.swept || time.Since(t.idleFrom) >= t.agent.Timings.Poll
	t.mu.Unlock()
	if !due {
		return nil
	}
	waiting, err := t.agent.hasTicket(ctx, t.bench)
	if err != nil {
		return err
	}
	if !waiting {
		err = t.lease.fenced(ctx, func(tx pgx.Tx) error {
			var next *int
			err := tx.QueryRow(ctx, `
				SELECT (SELECT min(number) FROM run_segment s WHERE s.run_id = r.id AND s.state IN ('pending', 'running'))
				FROM run r WHERE r.id = $1 AND r.state = 'active' FOR UPDATE`, run).Scan(&next)
			if err != nil {
				return err
			}
			if next == nil { // every segment is stored, only the end of the run is missing
				return t.closeRun(ctx, tx, run)
			}
			t.log.InfoContext(ctx, "new ticket for a segment that had none", "run", run, "segment", *next)
			return t.agent.issue(ctx, tx, t.bench, ticket{Run: run, Segment: *next})
		})
	}
	if err == nil {
		t.mu.Lock()
		t.swept, t.idleFrom = true, time.Now()
		t.mu.Unlock()
	}
	return err
}
