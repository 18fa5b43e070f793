package jobs

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"benchyard/jobs/lab"
	"benchyard/jobs/plan"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// movable is an unfinished run whose unit stands on another bench by now.
type movable struct {
	Run, Campaign uuid.UUID
	Serial        string
	From, To      string // benches
	LabID         int64  // by which it was to be measured
	Document      string // of its plan
}

// followUnits lets unfinished runs go on where the inventory has their units by now, if
// their plans say resume: any bench. A run in work stays where it is; one whose bench
// nobody holds any more goes too. Every agent may do this, the tables decide.
func (a *Agent) followUnits(ctx context.Context, l *lab.Lab, version int64) {
	var serials, benches []string
	for _, u := range l.Units {
		if u.Mounted() {
			serials, benches = append(serials, u.Serial), append(benches, u.Bench)
		}
	}
	rows, err := a.Pool.Query(ctx, `
		SELECT r.id, r.campaign_id, r.serial, r.bench, u.bench, coalesce(r.lab_id, c.lab_id), p.document
		FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN plan_version p ON p.id = c.plan_id
		JOIN unnest($1::text[], $2::text[]) AS u (serial, bench) ON u.serial = r.serial AND u.bench <> r.bench
		WHERE r.state IN ('queued', 'active') ORDER BY r.queued_at, r.id`, serials, benches)
	var found []movable
	if err == nil {
		found, err = pgx.CollectRows(rows, pgx.RowToStructByPos[movable])
	}
	for _, m := range found {
		if err == nil {
			err = a.move(ctx, m, l, version)
		}
	}
	if err != nil && ctx.Err() == nil {
		a.log.WarnContext(ctx, "runs whose units stand elsewhere", "error", err)
	}
}

// move sends one run after its unit, or says on it why that cannot be.
func (a *Agent) move(ctx context.Context, m movable, l *lab.Lab, version int64) error {
	p, err := plan.Parse("stored plan", []byte(m.Document))
	if err != nil || p.Resume != plan.AnyBench {
		return nil // what comes of it is said when the run is released, see tenure.obstacle
	}
	before, err := a.labVersion(ctx, m.LabID)
	if err != nil {
		return err
	}
	if why := cannotMove(p, m.Serial, before, l); why != "" {
		_, err := a.Pool.Exec(ctx, `UPDATE run SET blocked = $2 WHERE id = $1 AND state = 'queued'`, m.Run, fmt.Sprintf("cannot go on at %s: %s", m.To, why))
		return err
	}
	moved := false
	err = transact(ctx, a.Pool, func(tx pgx.Tx) error {
		var live bool // nobody takes the bench meanwhile: acquire locks the same row
		err := tx.QueryRow(ctx, `SELECT holder <> '' AND expires_at > clock_timestamp() FROM bench_lease WHERE bench = $1 FOR UPDATE`, m.From).Scan(&live)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		tag, err := tx.Exec(ctx, `
			UPDATE run SET bench = $3, lab_id = $4, state = 'queued', blocked = NULL, warm = NULL, paused = $5
			WHERE id = $1 AND bench = $2 AND (state = 'queued' OR state = 'active' AND NOT $6)`,
			m.Run, m.From, m.To, version, fmt.Sprintf("goes on at %s, where %s stands now", m.To, m.Serial), live)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		moved = true
		_, err = tx.Exec(ctx, `UPDATE run_segment SET state = 'pending', token = NULL, started_at = NULL WHERE run_id = $1 AND state = 'running'`, m.Run)
		if err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: runEvent, campaign: &m.Campaign, run: &m.Run, bench: m.To, body: eventBody{State: Queued, Serial: m.Serial}})
	})
	if err != nil {
		return fmt.Errorf("jobs: run %s goes on at %s: %w", m.Run, m.To, err)
	}
	if moved {
		a.log.InfoContext(ctx, "a run follows its unit", "run", m.Run, "unit", m.Serial, "from", m.From, "to", m.To)
	}
	return nil
}

// cannotMove returns why the rest of a run cannot be measured at the new place of its
// unit, empty where it can: it must come to the same cases in the same order.
func cannotMove(p *plan.Plan, serial string, before, now *lab.Lab) string {
	was, err := findMount(before, serial)
	if err != nil {
		return err.Error()
	}
	is, err := findMount(now, serial)
	if err != nil {
		return err.Error()
	}
	old, err := plan.Expand(p, was.target())
	if err != nil {
		return err.Error()
	}
	cases, err := plan.Expand(p, is.target())
	if err != nil {
		return err.Error()
	}
	same := slices.EqualFunc(old, cases, func(a, b plan.Case) bool { return a.Key == b.Key && a.Position == b.Position })
	if !same || was.bench.ByHand() != is.bench.ByHand() {
		return "the plan comes to other cases there, or in another order; cancel this run and submit a new campaign"
	}
	return strings.Join(is.check(cases, now), "; ")
}

func setBlocked(ctx context.Context, db DB, run uuid.UUID, why string) error {
	if _, err := db.Exec(ctx, `UPDATE run SET blocked = nullif($2, '') WHERE id = $1 AND state = 'queued'`, run, why); err != nil {
		return fmt.Errorf("jobs: run %s: %w", run, err)
	}
	return nil
}
