package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// ErrEnded is returned when something that has already ended is to be changed.
var ErrEnded = errors.New("already ended")

// Cancel ends a campaign, or one run, and returns how many runs it ended. The
// agent that works on such a run drives its bench to the safe state and stores
// nothing more; what is stored stays. It returns ErrNotFound when id is
// neither, ErrEnded when nothing was open.
func Cancel(ctx context.Context, db DB, id uuid.UUID, by string) (int, error) {
	ended := 0
	err := transact(ctx, db, func(tx pgx.Tx) error {
		var known, whole bool
		err := tx.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM campaign WHERE id = $1),
			EXISTS (SELECT 1 FROM campaign WHERE id = $1) OR EXISTS (SELECT 1 FROM run WHERE id = $1)`, id).Scan(&whole, &known)
		if err != nil {
			return err
		}
		if !known {
			return ErrNotFound
		}
		// Nobody adds a run to the campaign meanwhile, see repeatable.
		if _, err := tx.Exec(ctx, `SELECT 1 FROM campaign WHERE id = $1 FOR NO KEY UPDATE`, id); err != nil {
			return err
		}
		changes, err := cancelRuns(ctx, tx, id, by)
		if err != nil {
			return err
		}
		if ended = len(changes); ended == 0 {
			return ErrEnded
		}
		if whole {
			_, err = tx.Exec(ctx, `UPDATE campaign SET cancelled_by = $2, cancelled_at = now() WHERE id = $1 AND cancelled_at IS NULL`, id, by)
			changes = append(changes, change{kind: campaignEvent, campaign: &id, body: eventBody{State: Cancelled, By: by}})
		}
		if err != nil {
			return err
		}
		return emit(ctx, tx, changes...)
	})
	if err != nil {
		return 0, fmt.Errorf("jobs: cancelling %s: %w", id, err)
	}
	return ended, nil
}

func cancelRuns(ctx context.Context, tx pgx.Tx, id uuid.UUID, by string) ([]change, error) {
	rows, err := tx.Query(ctx, `
		UPDATE run SET state = 'cancelled', verdict = 'aborted', finished_at = now(), blocked = NULL
		WHERE (id = $1 OR campaign_id = $1) AND state IN ('queued', 'active')
		RETURNING id, campaign_id, coalesce(bench, ''), serial`, id)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (change, error) {
		c := change{kind: runEvent, run: new(uuid.UUID), campaign: new(uuid.UUID), body: eventBody{State: Cancelled, By: by}}
		return c, row.Scan(c.run, c.campaign, &c.bench, &c.body.Serial)
	})
}

// Repeat queues a new attempt of a run that has ended and returns its
// identity. The first attempt stays what it was. It returns ErrNotFound for an
// unknown run; a run that is open, was repeated before, or belongs to a
// cancelled campaign is refused with the reason.
func Repeat(ctx context.Context, db DB, run uuid.UUID, by string) (uuid.UUID, error) {
	next, err := uuid.NewV7()
	if err != nil {
		return uuid.Nil, fmt.Errorf("jobs: repeating run %s: %w", run, err)
	}
	err = transact(ctx, db, func(tx pgx.Tx) error {
		c, err := repeatable(ctx, tx, run)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `
			INSERT INTO run (id, campaign_id, serial, unit_type, attempt, repeats, bench, cases, estimate_s, golden, set_up, needs, fits)
			SELECT $2, campaign_id, serial, unit_type, attempt + 1, id, CASE WHEN fits IS NULL THEN bench END, cases, estimate_s, golden,
			       set_up, needs, fits FROM run WHERE id = $1`, run, next)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO run_segment (run_id, number, title, cases)
			SELECT $2, number, title, cases FROM run_segment WHERE run_id = $1`, run, next)
		if err != nil {
			return err
		}
		c.kind, c.run, c.body.State, c.body.By = runEvent, &next, Queued, by
		return emit(ctx, tx, c)
	})
	if err != nil {
		return uuid.Nil, fmt.Errorf("jobs: repeating run %s: %w", run, err)
	}
	return next, nil
}

// repeatable locks the run, and its campaign against a cancellation, and tells
// why it cannot be repeated.
func repeatable(ctx context.Context, tx pgx.Tx, run uuid.UUID) (change, error) {
	var state State
	var repeated, cancelled bool
	c := change{campaign: new(uuid.UUID)}
	err := tx.QueryRow(ctx, `
		SELECT r.campaign_id, coalesce(r.bench, ''), r.serial, r.state, c.cancelled_at IS NOT NULL,
		       EXISTS (SELECT 1 FROM run later WHERE later.repeats = r.id)
		FROM run r JOIN campaign c ON c.id = r.campaign_id WHERE r.id = $1 FOR UPDATE OF r FOR SHARE OF c`, run).
		Scan(c.campaign, &c.bench, &c.body.Serial, &state, &cancelled, &repeated)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return c, ErrNotFound
	case err != nil:
		return c, err
	case !state.Final():
		return c, fmt.Errorf("it is %s; cancel it or wait for its end", state)
	case repeated:
		return c, errors.New("it was repeated before; repeat its newest attempt")
	case cancelled:
		return c, errors.New("its campaign was cancelled; submit a new one")
	}
	return c, nil
}

// BenchError says why something cannot be done with a bench as it was asked.
type BenchError struct{ Bench, Problem string }

// Error names the bench.
func (e *BenchError) Error() string { return fmt.Sprintf("jobs: bench %s: %s", e.Bench, e.Problem) }

// HoldBench keeps a bench from new runs until ReleaseBench; a run in work goes
// on to its end. The reason is for people; without it, as without a name here and in
// what follows, it is a *BenchError.
func HoldBench(ctx context.Context, db DB, bench, reason, by string) error {
	if strings.TrimSpace(reason) == "" {
		return &BenchError{bench, "to hold it, give the reason: it stands on the board"}
	}
	return setBench(ctx, db, bench, `UPDATE bench SET hold_reason = $2, updated_at = now() WHERE name = $1`, reason, eventBody{Text: "held: " + reason, By: by})
}

// BenchRelease is who releases a bench, and what that person has seen.
type BenchRelease struct {
	By string // name; required
	// PathBack says that the paths which a path task left off their connectors are
	// back on them. Without it a bench with such a path is not released.
	PathBack bool
}

// ReleaseBench lets a held bench take runs again, and trusts it again: how often it
// flapped before counts no more. Where a path may be off its connector it is a
// *BenchError unless the person says that the path is back.
func ReleaseBench(ctx context.Context, db DB, bench string, r BenchRelease) error {
	return changeBench(ctx, db, bench, r.By, func(tx pgx.Tx) (change, error) {
		body := eventBody{Text: "released", By: r.By}
		back, err := putBack(ctx, tx, bench, r.PathBack)
		if err != nil {
			return change{}, err
		}
		if back != "" {
			body.Text = "released; the path of " + back + " is back on its connector"
		}
		return writeBench(ctx, tx, bench, `UPDATE bench SET hold_reason = nullif($2, ''), trusted_at = clock_timestamp(), updated_at = now() WHERE name = $1`, "", body)
	})
}

// ClearAlarm removes the alarm of a bench. Who does so has looked at the bench
// and answers for it; the next run still begins with the safe state. Instruments that
// a holder of the bench has left without giving them back are free again.
func ClearAlarm(ctx context.Context, db DB, bench, by string) error {
	return setBench(ctx, db, bench, `
		WITH left_behind AS (UPDATE instrument_lease i SET bench = NULL, bench_token = NULL WHERE i.bench = $1 AND NOT EXISTS (
			SELECT 1 FROM bench_lease l WHERE l.bench = $1 AND l.token = i.bench_token AND l.expires_at > clock_timestamp()))
		UPDATE bench SET alarm = nullif($2, ''), activity = CASE activity WHEN 'alarm' THEN 'idle' ELSE activity END,
		updated_at = now() WHERE name = $1`, "", eventBody{Text: "alarm cleared", By: by})
}

func setBench(ctx context.Context, db DB, bench, sql, value string, body eventBody) error {
	return changeBench(ctx, db, bench, body.By, func(tx pgx.Tx) (change, error) {
		return writeBench(ctx, tx, bench, sql, value, body)
	})
}

// changeBench writes what a person changes of a bench, and its event, in one transaction.
func changeBench(ctx context.Context, db DB, bench, by string, write func(pgx.Tx) (change, error)) error {
	if strings.TrimSpace(by) == "" {
		return &BenchError{bench, "who does it is kept with it: give a name"}
	}
	err := transact(ctx, db, func(tx pgx.Tx) error {
		c, err := write(tx)
		if err != nil {
			return err
		}
		return emit(ctx, tx, c)
	})
	if err != nil && !errors.As(err, new(*BenchError)) {
		return fmt.Errorf("jobs: bench %s: %w", bench, err)
	}
	return err
}

// writeBench is setBench inside a transaction whose events are still to come.
func writeBench(ctx context.Context, tx pgx.Tx, bench, sql, value string, body eventBody) (change, error) {
	tag, err := tx.Exec(ctx, sql, bench, value)
	if err == nil && tag.RowsAffected() == 0 {
		err = ErrNotFound
	}
	return change{kind: benchEvent, bench: bench, body: body}, err
}
