package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/calendar"
	"benchyard/jobs/lab"
)

// onTime is how late a firing may be and still count as on time: the next look
// at the clock, a machine that is busy.
const onTime = time.Minute

// moment is a due time of a schedule and what became of those before it.
type moment struct {
	due    time.Time
	missed int       // due before it, and nothing came of them
	next   time.Time // due after now; zero: never again
}

// momentAt finds the newest due time that is not after now.
func momentAt(table calendar.Timetable, first, now time.Time) moment {
	m := moment{due: first}
	for m.next = table.Next(first); !m.next.IsZero() && !m.next.After(now); m.next = table.Next(m.next) {
		m.due = m.next
		m.missed++
	}
	return m
}

// firing decides about one due time and carries it out.
type firing struct {
	schedule ScheduleStatus
	moment
	by      string // who asked; empty: the clock
	waited  bool   // it stands in the tables and waits for the end of a campaign
	outcome string
	reason  string
	order   *order // to be queued; nil: nothing
}

// fireDue fires every schedule that is due at the given time. What goes wrong
// with one keeps no other from firing.
func (c *Clerk) fireDue(ctx context.Context, now time.Time) error {
	due, err := schedules(ctx, c.pool, `s.state = 'active' AND s.next_at <= $1`, now)
	if err != nil {
		return err
	}
	var all []error
	for _, s := range due {
		f := firing{schedule: s, moment: momentAt(s.table(), *s.NextAt, now)}
		late := now.Sub(f.due)
		switch {
		case late > s.CatchUp && late > onTime:
			f.outcome = "missed"
			f.reason = fmt.Sprintf("nobody was there to fire it at %s, and %s later is more than the %s within which it catches up",
				f.due.UTC().Format(time.RFC3339), late.Round(time.Second), s.CatchUp)
		case late > onTime || f.missed > 0:
			f.outcome, f.reason = "caught up", fmt.Sprintf("%s late, %d due times before it were missed", late.Round(time.Second), f.missed)
		default:
			f.outcome = "fired"
		}
		all = append(all, c.fire(ctx, &f))
	}
	return errors.Join(all...)
}

// fireWaiting fires what waited for the end of an earlier campaign.
func (c *Clerk) fireWaiting(ctx context.Context) error {
	ready, err := schedules(ctx, c.pool, `s.state = 'active' AND EXISTS (SELECT 1 FROM schedule_firing w WHERE w.schedule_id = s.id AND w.outcome = 'waiting')
		AND NOT EXISTS (`+openCampaign+`)`)
	if err != nil {
		return err
	}
	var all []error
	for _, s := range ready {
		f := firing{schedule: s, waited: true, outcome: "fired", reason: "it waited for the end of the campaign before it"}
		all = append(all, c.fire(ctx, &f))
	}
	return errors.Join(all...)
}

// RunSchedule fires a schedule out of turn, paused or not, and returns what
// became of it. Its due times stay as they are.
func RunSchedule(ctx context.Context, db DB, id uuid.UUID, by string) (Firing, error) {
	s, err := ScheduleByID(ctx, db, id)
	if err == nil && s.State == "removed" {
		err = fmt.Errorf("jobs: schedule %s: %w", s.Name, ErrEnded)
	}
	if err != nil {
		return Firing{}, err
	}
	f := firing{schedule: s, by: by, outcome: "fired"}
	if err := db.QueryRow(ctx, `SELECT clock_timestamp()`).Scan(&f.due); err != nil {
		return Firing{}, fmt.Errorf("jobs: schedule %s: %w", s.Name, err)
	}
	if _, err := f.carryOut(ctx, db); err != nil {
		return Firing{}, err
	}
	last, err := FiringsOf(ctx, db, id, 1)
	if err != nil || len(last) == 0 {
		return Firing{}, err
	}
	return last[0], nil
}

func (c *Clerk) fire(ctx context.Context, f *firing) error {
	done, err := f.carryOut(ctx, c.pool)
	if err != nil {
		return err
	}
	if log := c.log.With("schedule", f.schedule.Name, "outcome", f.outcome, "reason", f.reason); done && f.order == nil {
		log.WarnContext(ctx, "a schedule was due and did not start a campaign")
	} else if done {
		log.InfoContext(ctx, "a schedule started a campaign", "campaign", f.order.id)
	}
	return nil
}

// carryOut drafts the campaign and stores what became of the due time; false
// when another process was quicker.
func (f *firing) carryOut(ctx context.Context, db DB) (done bool, err error) {
	if f.outcome != "missed" {
		if err := f.draft(ctx, db); err != nil {
			return false, err
		}
	}
	err = transact(ctx, db, func(tx pgx.Tx) error {
		if done, err = f.hold(ctx, tx); err != nil || !done {
			return err
		}
		if err := f.stepBack(ctx, tx); err != nil {
			return err
		}
		return f.store(ctx, tx)
	})
	if err != nil {
		return false, fmt.Errorf("jobs: firing schedule %s: %w", f.schedule.Name, err)
	}
	return done, nil
}

// draft checks the campaign; one that cannot be measured is an outcome, not an error.
func (f *firing) draft(ctx context.Context, db DB) error {
	s := f.schedule
	spec := ScheduleSpec{Name: s.Name, PlanFile: "plan of the schedule", PlanDocument: []byte(s.planDocument), Serials: s.Serials, Types: s.Types, Benches: s.Benches,
		Build: s.Build, By: "schedule " + s.Name, Priority: s.Priority}
	if f.by != "" {
		spec.By = f.by
	}
	o, err := draft(ctx, db, spec.submission())
	var refused *RefusedError
	if errors.As(err, &refused) || errors.Is(err, lab.ErrNoLab) {
		f.outcome, f.reason = "refused", err.Error()
		return nil
	}
	f.order = o
	return err
}

// hold locks the schedule and moves it to its next due time; false when this
// one is somebody else's already.
func (f *firing) hold(ctx context.Context, tx pgx.Tx) (bool, error) {
	s := f.schedule
	switch {
	case f.by != "":
		tag, err := tx.Exec(ctx, `SELECT 1 FROM schedule WHERE id = $1 AND state <> 'removed' FOR UPDATE`, s.ID)
		return tag.RowsAffected() == 1, err
	case f.waited:
		if _, err := tx.Exec(ctx, `SELECT 1 FROM schedule WHERE id = $1 FOR UPDATE`, s.ID); err != nil {
			return false, err
		}
		err := tx.QueryRow(ctx, `DELETE FROM schedule_firing WHERE schedule_id = $1 AND outcome = 'waiting' RETURNING due_at, missed, coalesce(asked_by, '')`, s.ID).
			Scan(&f.due, &f.missed, &f.by)
		if errors.Is(err, pgx.ErrNoRows) {
			return false, nil
		}
		return err == nil, err
	}
	tag, err := tx.Exec(ctx, `UPDATE schedule SET next_at = $3 WHERE id = $1 AND state = 'active' AND next_at = $2`, s.ID, s.NextAt, orNull(f.next))
	return tag.RowsAffected() == 1, err
}

// stepBack keeps a schedule from overlapping itself.
func (f *firing) stepBack(ctx context.Context, tx pgx.Tx) error {
	if f.order == nil {
		return nil
	}
	var open *uuid.UUID
	var waits bool
	err := tx.QueryRow(ctx, `SELECT (`+openCampaign+`), EXISTS (SELECT 1 FROM schedule_firing w WHERE w.schedule_id = s.id AND w.outcome = 'waiting')
		FROM schedule s WHERE s.id = $1`, f.schedule.ID).Scan(&open, &waits)
	if err != nil || open == nil {
		return err
	}
	f.order, f.outcome, f.reason = nil, "skipped", fmt.Sprintf("its campaign %s has not ended", open)
	if f.schedule.Overlap == OverlapQueue && !waits {
		f.outcome = "waiting"
	} else if waits {
		f.reason += ", and another firing waits for that"
	}
	return nil
}

// store writes the firing with its campaign.
func (f *firing) store(ctx context.Context, tx pgx.Tx) error {
	var campaign *uuid.UUID
	told := scheduleChange(f.schedule.Name, f.outcome, f.by)
	var changes []change
	if f.order != nil {
		queued, err := f.order.insert(ctx, tx)
		if err != nil {
			return err
		}
		campaign, told.campaign = &f.order.id, &f.order.id
		changes = append(changes, queued)
	}
	_, err := tx.Exec(ctx, `INSERT INTO schedule_firing (schedule_id, due_at, outcome, reason, missed, asked_by, campaign_id) VALUES ($1, $2, $3, $4, $5, nullif($6, ''), $7)`,
		f.schedule.ID, f.due, f.outcome, f.reason, f.missed, f.by, campaign)
	if err != nil {
		return err
	}
	told.message = &message{kind: ScheduleFiringMessage, subject: "schedules/" + f.schedule.ID.String(), data: map[string]any{
		"schedule": f.schedule.ID, "name": f.schedule.Name, "due_at": f.due, "outcome": f.outcome, "reason": f.reason, "missed": f.missed, "campaign": campaign}}
	return emit(ctx, tx, append(changes, told)...)
}
