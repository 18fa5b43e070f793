package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/jobs/lab"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// candidate is a queued run that the bench may take next.
type candidate struct {
	Run      uuid.UUID
	Campaign uuid.UUID
	Serial   string
	LabID    int64
	Blocked  string
}

// release makes the next eligible run of the bench its active one and issues
// the ticket for its first segment. Smaller priority goes first, then the queue
// order. A run that cannot be taken now says why and is passed over.
func (t *tenure) release(ctx context.Context, hold string) error {
	if hold != "" {
		t.rest(ctx)
		return t.block(ctx, "the bench is held: "+hold)
	}
	candidates, err := t.candidates(ctx)
	if err != nil {
		return err
	}
	for _, c := range candidates {
		why, err := t.obstacle(ctx, c)
		if err != nil {
			return err
		}
		if why != c.Blocked {
			if err := setBlocked(ctx, t.agent.Pool, c.Run, why); err != nil {
				return err
			}
		}
		if why != "" {
			continue
		}
		if taken, err := t.take(ctx, c); taken || err != nil {
			return err
		}
	}
	t.rest(ctx)
	return t.checkDue(ctx)
}

func (t *tenure) candidates(ctx context.Context) ([]candidate, error) {
	rows, err := t.agent.Pool.Query(ctx, `
		SELECT r.id, r.campaign_id, r.serial, coalesce(r.lab_id, c.lab_id), coalesce(r.blocked, '')
		FROM run r JOIN campaign c ON c.id = r.campaign_id
		WHERE r.state = 'queued' AND r.bench = $1 AND (r.due_at IS NULL OR r.due_at <= clock_timestamp())
		ORDER BY c.priority, r.queued_at, r.id LIMIT 1000`, t.bench)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading the queue of %s: %w", t.bench, err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[candidate])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading the queue of %s: %w", t.bench, err)
	}
	return found, nil
}

// obstacle returns why the bench cannot take the run now; empty: it can.
// Instruments are judged by the newest inventory, which knows of the last
// calibration; paths by the one the campaign was submitted against, whose
// corrections will be used, and by the newest, which knows what was changed since.
func (t *tenure) obstacle(ctx context.Context, c candidate) (string, error) {
	frozen, err := t.agent.labVersion(ctx, c.LabID)
	if err != nil {
		return "", err
	}
	newest := t.agent.latestLab()
	now := lab.DateOf(t.agent.Clock())
	was, err := mountedUnit(frozen, c.Serial)
	if err != nil {
		return err.Error(), nil
	}
	is, err := mountedUnit(newest, c.Serial)
	switch {
	case err != nil:
		return err.Error(), nil
	case is.Bench != t.bench || is.Slot != was.Slot:
		return fmt.Sprintf("%s is mounted on %s slot %d now, it was on %s slot %d: cancel this run and submit a new campaign",
			c.Serial, is.Bench, is.Slot, was.Bench, was.Slot), nil
	}
	if before, ok := frozen.Bench(was.Bench); ok {
		if b, ok := newest.Bench(t.bench); ok && b.ByHand() != before.ByHand() {
			return fmt.Sprintf("%s got or lost its switch matrix: cancel this run and submit a new campaign", t.bench), nil
		}
	}
	if err := calibrated(newest, t.bench, now); err != nil {
		return err.Error(), nil
	}
	if err := pathsValid(frozen, newest, was, now); err != nil {
		return err.Error(), nil
	}
	return "", nil
}

// mountedUnit finds a radio unit in an inventory.
func mountedUnit(l *lab.Lab, serial string) (lab.RadioUnit, error) {
	if u, ok := l.Unit(serial); ok {
		return u, nil
	}
	return lab.RadioUnit{}, fmt.Errorf("%s is not in the inventory of %s", serial, l.Name)
}

// calibrated reports the first instrument of the bench whose calibration has ended.
func calibrated(l *lab.Lab, bench string, now lab.Date) error {
	b, ok := l.Bench(bench)
	if !ok {
		return fmt.Errorf("bench %s is not in the inventory of %s", bench, l.Name)
	}
	for _, i := range l.InstrumentsOn(b) {
		if !i.CalibrationDue.IsZero() && i.CalibrationDue.Before(now) {
			return fmt.Errorf("the calibration of %s ended on %s", i.Name, i.CalibrationDue)
		}
	}
	return nil
}

// pathsValid reports the first signal path of the unit whose correction is not
// good: in the frozen inventory, whose corrections are used, or in the newest it is
// out of date or was approved for other elements, or the path was changed between.
func pathsValid(frozen, newest *lab.Lab, u lab.RadioUnit, now lab.Date) error {
	for _, p := range frozen.Paths {
		if p.Bench != u.Bench || p.Slot != u.Slot {
			continue
		}
		is, ok := newest.PathFor(p.Bench, p.Slot, p.Connector)
		if !ok {
			is = p // its unit cannot be there either, which others report
		}
		over, place := "the correction of %s was valid until %s", PathPlace{p.Bench, p.Slot, p.Connector}
		switch {
		case is.ValidUntil.Before(now):
			return fmt.Errorf(over, place, is.ValidUntil)
		case p.ValidUntil.Before(now):
			return fmt.Errorf(over+"; there is a newer one: cancel this run and submit a new campaign", place, p.ValidUntil)
		}
		if why := newest.Stale(is); why != "" {
			return errors.New(why)
		}
		if p.Approved != nil && is.Approved != nil && p.Approved.ID == is.Approved.ID {
			continue // what a check confirmed since then counts
		}
		if why := frozen.Stale(p); why != "" {
			return fmt.Errorf("when this campaign was submitted, %s; that is settled now: cancel this run and submit a new campaign", why)
		}
		if why := lab.Changed(p.Elements, is.Elements); why != "" {
			return fmt.Errorf("%s was changed since this campaign was submitted: %s; cancel this run and submit a new campaign", place, why)
		}
	}
	return nil
}

// take claims the run for the bench; false when somebody cancelled it meanwhile.
func (t *tenure) take(ctx context.Context, c candidate) (bool, error) {
	taken := false
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		var first int
		err := tx.QueryRow(ctx, `
			UPDATE run SET state = 'active', started_at = coalesce(started_at, now()), blocked = NULL, paused = NULL, due_at = NULL, program_version = $3
			WHERE id = $1 AND bench = $2 AND state = 'queued'
			RETURNING (SELECT min(number) FROM run_segment WHERE run_id = $1 AND state IN ('pending', 'running'))`, c.Run, t.bench, t.agent.Version).Scan(&first)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("jobs: releasing run %s: %w", c.Run, err)
		}
		taken = true
		if err := t.agent.issue(ctx, tx, t.bench, ticket{Run: c.Run, Segment: first}); err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: runEvent, campaign: &c.Campaign, run: &c.Run, bench: t.bench,
			body: eventBody{State: Active, Serial: c.Serial}})
	})
	if taken && err == nil {
		t.ahead.followed()
		t.mu.Lock()
		t.idleFrom = time.Now() // the ticket is on its way
		t.swept = true
		t.mu.Unlock()
	}
	return taken && err == nil, err
}

// block writes on every queued run of the bench why it waits.
func (t *tenure) block(ctx context.Context, why string) error {
	_, err := t.agent.Pool.Exec(ctx, `UPDATE run SET blocked = $2
		WHERE bench = $1 AND state = 'queued' AND blocked IS DISTINCT FROM $2`, t.bench, why)
	if err != nil {
		return fmt.Errorf("jobs: blocking the queue of %s: %w", t.bench, err)
	}
	return nil
}

func setBlocked(ctx context.Context, db DB, run uuid.UUID, why string) error {
	if _, err := db.Exec(ctx, `UPDATE run SET blocked = nullif($2, '') WHERE id = $1 AND state = 'queued'`, run, why); err != nil {
		return fmt.Errorf("jobs: run %s: %w", run, err)
	}
	return nil
}
