package jobs

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/calendar"
)

// ScheduleStatus is a schedule as it stands.
type ScheduleStatus struct {
	ID        uuid.UUID
	Name      string
	Timetable string
	Zone      string
	Plan      string // name of the plan
	PlanHash  string
	Serials   []string // empty, like Types and Benches: all
	Types     []string
	Benches   []string
	Build     string
	Priority  int
	Overlap   Overlap
	CatchUp   time.Duration
	State     string // active, paused or removed
	NextAt    *time.Time
	CreatedBy string
	CreatedAt time.Time
	ChangedBy string // who paused, resumed or removed it last; empty: nobody
	ChangedAt *time.Time

	Firings int        // recorded so far
	Last    *Firing    // newest; nil: none yet
	Running *uuid.UUID // campaign that has not ended; nil: none

	planDocument string
}

// Firing is what became of one time at which a schedule was due.
type Firing struct {
	DueAt    time.Time  `json:"due_at"`
	At       time.Time  `json:"at"`      // when it was recorded
	Outcome  string     `json:"outcome"` // fired, caught up, waiting, skipped, refused or missed
	Reason   string     `json:"reason"`
	Missed   int        `json:"missed"`   // due times before this one that nothing became of
	AskedBy  string     `json:"asked_by"` // who ran it out of turn; empty: the clock
	Campaign *uuid.UUID `json:"campaign"`
}

func (s ScheduleStatus) table() calendar.Timetable {
	// What is stored was parsed before; a zone may have left the database since.
	table, _ := calendar.Parse(s.Timetable, s.Zone)
	return table
}

// Next returns the next n due times, in the zone of the schedule; fewer when it
// is not active or is due no more.
func (s ScheduleStatus) Next(n int) []time.Time {
	if s.NextAt == nil {
		return nil
	}
	table := s.table()
	var all []time.Time
	for at := s.NextAt.Add(-time.Nanosecond); len(all) < n; {
		if at = table.Next(at); at.IsZero() {
			break
		}
		all = append(all, at)
	}
	return all
}

const firingColumns = `f.due_at, f.at, f.outcome, f.reason, f.missed, coalesce(f.asked_by, ''), f.campaign_id`

// openCampaign finds a campaign of the schedule s that has not ended.
const openCampaign = `SELECT f.campaign_id FROM schedule_firing f WHERE f.schedule_id = s.id AND f.campaign_id IS NOT NULL
	AND EXISTS (SELECT 1 FROM run r WHERE r.campaign_id = f.campaign_id AND r.state IN ('queued', 'active')) ORDER BY f.due_at DESC LIMIT 1`

func schedules(ctx context.Context, db DB, where string, args ...any) ([]ScheduleStatus, error) {
	rows, err := db.Query(ctx, `
		SELECT s.id, s.name, s.timetable, s.zone, p.name, p.content_hash, p.document, s.serials, s.types, s.benches, s.build, s.priority, s.overlap,
		       s.catch_up_s, s.state, s.next_at, s.created_by, s.created_at, coalesce(s.changed_by, ''), s.changed_at,
		       (SELECT count(*) FROM schedule_firing f WHERE f.schedule_id = s.id), (`+openCampaign+`),
		       (SELECT jsonb_build_object('due_at', f.due_at, 'at', f.at, 'outcome', f.outcome, 'reason', f.reason, 'missed', f.missed,
		               'asked_by', coalesce(f.asked_by, ''), 'campaign', f.campaign_id)
		        FROM schedule_firing f WHERE f.schedule_id = s.id ORDER BY f.due_at DESC LIMIT 1)
		FROM schedule s JOIN plan_version p ON p.id = s.plan_id WHERE `+where+` ORDER BY s.name, s.id`, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading schedules: %w", err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s ScheduleStatus, err error) {
		var late float64
		err = row.Scan(&s.ID, &s.Name, &s.Timetable, &s.Zone, &s.Plan, &s.PlanHash, &s.planDocument, &s.Serials, &s.Types, &s.Benches, &s.Build,
			&s.Priority, &s.Overlap, &late, &s.State, &s.NextAt, &s.CreatedBy, &s.CreatedAt, &s.ChangedBy, &s.ChangedAt, &s.Firings, &s.Running, &s.Last)
		s.CatchUp = time.Duration(late * float64(time.Second))
		return s, err
	})
	if err != nil {
		return nil, fmt.Errorf("jobs: reading schedules: %w", err)
	}
	return found, nil
}

// Schedules returns every schedule that is not removed, by name.
func Schedules(ctx context.Context, db DB) ([]ScheduleStatus, error) {
	return schedules(ctx, db, `s.state <> 'removed'`)
}

// ScheduleByID returns one schedule, removed or not, or ErrNotFound.
func ScheduleByID(ctx context.Context, db DB, id uuid.UUID) (ScheduleStatus, error) {
	found, err := schedules(ctx, db, `s.id = $1`, id)
	if err != nil {
		return ScheduleStatus{}, err
	}
	if len(found) == 0 {
		return ScheduleStatus{}, fmt.Errorf("jobs: schedule %s: %w", id, ErrNotFound)
	}
	return found[0], nil
}

// FiringsOf returns the newest firings of a schedule, newest first.
func FiringsOf(ctx context.Context, db DB, id uuid.UUID, limit int) ([]Firing, error) {
	rows, err := db.Query(ctx, `SELECT `+firingColumns+` FROM schedule_firing f WHERE schedule_id = $1 ORDER BY due_at DESC LIMIT $2`, id, limit)
	if err != nil {
		return nil, fmt.Errorf("jobs: firings of schedule %s: %w", id, err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Firing])
	if err != nil {
		return nil, fmt.Errorf("jobs: firings of schedule %s: %w", id, err)
	}
	return found, nil
}
