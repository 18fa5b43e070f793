package jobs

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// distrust holds a bench that flaps: its holders vanish, or its safe state fails, again
// and again. Somebody must look at it, and the other benches go on. The counts begin
// anew when a person releases it. It returns why the bench was held just now, empty
// where it was not, with the events of it.
func (t *tenure) distrust(ctx context.Context, tx pgx.Tx) (why string, changes []change, err error) {
	limit := t.agent.Timings
	var held bool
	var lost, alarms int
	var last string
	err = tx.QueryRow(ctx, `
		WITH since AS (
			SELECT name, hold_reason, greatest(clock_timestamp() - $2 * interval '1 second', coalesce(trusted_at, '-infinity')) AS at
			FROM bench WHERE name = $1 FOR NO KEY UPDATE
		)
		SELECT hold_reason IS NOT NULL,
		       (SELECT count(*) FROM bench_takeover b WHERE b.bench = name AND b.abandoned AND b.at > since.at),
		       (SELECT count(*) FROM bench_alarm b WHERE b.bench = name AND b.at > since.at),
		       coalesce((SELECT reason FROM bench_alarm b WHERE b.bench = name ORDER BY b.at DESC LIMIT 1), '')
		FROM since`, t.bench, limit.FlapWindow.Seconds()).Scan(&held, &lost, &alarms, &last)
	switch {
	case err != nil:
		return "", nil, fmt.Errorf("jobs: whether %s flaps: %w", t.bench, err)
	case held:
		return "", nil, nil
	case lost >= limit.Flaps:
		why = fmt.Sprintf("it flaps: its agent vanished %d times within %s; look at the agents and their network, then release the bench", lost, limit.FlapWindow)
	case alarms >= limit.Flaps:
		why = fmt.Sprintf("it flaps: its safe state failed %d times within %s, last: %s; look at the bench, then release it", alarms, limit.FlapWindow, last)
	default:
		return "", nil, nil
	}
	c, err := writeBench(ctx, tx, t.bench, `UPDATE bench SET hold_reason = $2, updated_at = now() WHERE name = $1`, why, eventBody{Text: "held: " + why})
	return why, []change{c}, err
}

// distrustAtTakeover is distrust for a tenure that begins. The run that was left on
// the bench waits in the queue, where it can be seen and cancelled.
func (t *tenure) distrustAtTakeover(ctx context.Context) {
	var why string
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		var changes []change
		var err error
		if why, changes, err = t.distrust(ctx, tx); err != nil || why == "" {
			return err
		}
		parked, err := park(ctx, tx, t.bench, "the bench was held: "+why)
		if err != nil {
			return err
		}
		return emit(ctx, tx, append(changes, parked...)...)
	})
	if err != nil && ctx.Err() == nil {
		t.log.WarnContext(ctx, "counting take-overs", "error", err)
	}
	if err == nil && why != "" {
		t.log.ErrorContext(ctx, "the bench is held", "reason", why)
	}
}

// park sends the active run of a bench, on which nobody works, back to the queue.
func park(ctx context.Context, tx pgx.Tx, bench, why string) ([]change, error) {
	rows, err := tx.Query(ctx, `
		WITH parked AS (UPDATE run SET state = 'queued', paused = $2, blocked = NULL WHERE bench = $1 AND state = 'active' RETURNING id, campaign_id, serial),
		     reopened AS (UPDATE run_segment SET state = 'pending', token = NULL, started_at = NULL
		                  WHERE state = 'running' AND run_id IN (SELECT id FROM parked))
		SELECT id, campaign_id, serial FROM parked`, bench, why)
	if err != nil {
		return nil, fmt.Errorf("jobs: the run on %s goes back to the queue: %w", bench, err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (change, error) {
		c := newRunChange(bench, Queued, why)
		return c, row.Scan(c.run, c.campaign, &c.body.Serial)
	})
}
