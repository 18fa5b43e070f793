package jobs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"benchyard/jobs/calendar"
)

// DefaultCatchUp is how late a schedule may fire that says nothing about it.
const DefaultCatchUp = time.Hour

// longestCatchUp bounds how late a schedule may fire.
const longestCatchUp = 7 * 24 * time.Hour

// Overlap says what a schedule does while its last campaign has not ended.
type Overlap string

// What a schedule does then.
const (
	OverlapSkip  Overlap = "skip"  // nothing; the reason is recorded
	OverlapQueue Overlap = "queue" // one firing waits for the end, further ones are skipped
)

// ScheduleSpec asks for a campaign that recurs.
type ScheduleSpec struct {
	Name         string // unique among the schedules that are not removed
	Timetable    string // five fields, see jobs/calendar
	Zone         string // time zone by name; empty means UTC
	PlanFile     string // name of the plan document, for messages
	PlanDocument []byte
	Serials      []string // units; empty means every mounted one of Types on Benches
	Types        []string
	Benches      []string
	Build        string
	By           string
	Priority     int            // smaller goes first; zero means 100
	Overlap      Overlap        // empty means skip
	CatchUp      *time.Duration // how late it may fire; nil means an hour, up to a week
}

func (s ScheduleSpec) submission() Submission {
	return Submission{
		Name: s.Name, PlanFile: s.PlanFile, PlanDocument: s.PlanDocument, Serials: s.Serials, Types: s.Types, Benches: s.Benches,
		Build: s.Build, By: cmp.Or(s.By, "schedule "+s.Name), Priority: s.Priority,
	}
}

// problems are what is wrong with a schedule beside its campaign.
func (s ScheduleSpec) problems() (table calendar.Timetable, all []string) {
	table, err := calendar.Parse(s.Timetable, s.Zone)
	if err != nil {
		all = append(all, err.Error())
	}
	if strings.TrimSpace(s.Name) == "" {
		all = append(all, "the schedule has no name")
	} else if n := utf8.RuneCountInString(s.Name); n > longestName {
		all = append(all, fmt.Sprintf("the name has %d characters; up to %d are kept", n, longestName))
	}
	if s.Overlap != "" && s.Overlap != OverlapSkip && s.Overlap != OverlapQueue {
		all = append(all, fmt.Sprintf("overlap %q is neither skip nor queue", s.Overlap))
	}
	if c := s.CatchUp; c != nil && (*c < 0 || *c > longestCatchUp) {
		all = append(all, fmt.Sprintf("it may catch up within %s to %s, not %s", time.Duration(0), longestCatchUp, *c))
	}
	return table, all
}

// AddSchedule stores a schedule that begins at once, judged by the given time.
// What could not be measured now is refused as Submit would, so is what is never due.
func AddSchedule(ctx context.Context, db DB, s ScheduleSpec, now time.Time) (ScheduleStatus, error) {
	table, problems := s.problems()
	o, err := draft(ctx, db, s.submission())
	var refused *RefusedError
	if errors.As(err, &refused) {
		problems = append(problems, refused.Problems...)
	} else if err != nil {
		return ScheduleStatus{}, err
	}
	if len(problems) > 0 {
		return ScheduleStatus{}, &RefusedError{problems}
	}
	catchUp := DefaultCatchUp
	if s.CatchUp != nil {
		catchUp = *s.CatchUp
	}
	err = transact(ctx, db, func(tx pgx.Tx) error {
		plan, err := insertPlan(ctx, tx, o.plan, s.submission())
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO schedule (id, name, timetable, zone, plan_id, serials, types, benches, build, priority, overlap, catch_up_s, next_at, created_by)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
			o.id, s.Name, table.String(), table.Zone(), plan, list(s.Serials), list(s.Types), list(s.Benches), s.Build, cmp.Or(s.Priority, DefaultPriority),
			cmp.Or(s.Overlap, OverlapSkip), catchUp.Seconds(), orNull(table.Next(now)), s.By)
		if err != nil {
			return err
		}
		return emit(ctx, tx, scheduleChange(s.Name, "added", s.By))
	})
	var broken *pgconn.PgError
	if errors.As(err, &broken) && broken.ConstraintName == "schedule_name" {
		return ScheduleStatus{}, &RefusedError{[]string{fmt.Sprintf("there is a schedule called %s already; take another name, or remove that one first", s.Name)}}
	}
	if err != nil {
		return ScheduleStatus{}, fmt.Errorf("jobs: adding schedule %s: %w", s.Name, err)
	}
	return ScheduleByID(ctx, db, o.id)
}

// list is never null in the tables.
func list(words []string) []string { return append([]string{}, words...) }

func orNull(at time.Time) *time.Time {
	if at.IsZero() {
		return nil
	}
	return &at
}

func scheduleChange(name, text, by string) change {
	return change{kind: scheduleEvent, body: eventBody{Text: text, By: by, Schedule: name}}
}

// PauseSchedule keeps a schedule from firing until ResumeSchedule; one that
// waits for its last campaign is dropped. ErrEnded says that it was paused already.
func PauseSchedule(ctx context.Context, db DB, id uuid.UUID, by string) error {
	return endSchedule(ctx, db, id, "paused", by)
}

// RemoveSchedule ends a schedule for good; its history stays, its name is free.
// A campaign that it fired goes on.
func RemoveSchedule(ctx context.Context, db DB, id uuid.UUID, by string) error {
	return endSchedule(ctx, db, id, "removed", by)
}

func endSchedule(ctx context.Context, db DB, id uuid.UUID, state, by string) error {
	return changeSchedule(ctx, db, id, state, by, func(tx pgx.Tx, s ScheduleStatus) error {
		if s.State == state {
			return ErrEnded
		}
		_, err := tx.Exec(ctx, `UPDATE schedule_firing SET outcome = 'skipped', reason = 'the schedule was ' || $2::text || ' before it could begin'
			WHERE schedule_id = $1 AND outcome = 'waiting'`, id, state)
		if err == nil {
			_, err = tx.Exec(ctx, `UPDATE schedule SET state = $2, next_at = NULL, changed_by = $3, changed_at = now() WHERE id = $1`, id, state, by)
		}
		return err
	})
}

// ResumeSchedule lets a paused schedule fire again, from the given time on: what
// was due meanwhile was not missed. ErrEnded says that it is not paused.
func ResumeSchedule(ctx context.Context, db DB, id uuid.UUID, by string, now time.Time) error {
	return changeSchedule(ctx, db, id, "resumed", by, func(tx pgx.Tx, s ScheduleStatus) error {
		if s.State != "paused" {
			return ErrEnded
		}
		_, err := tx.Exec(ctx, `UPDATE schedule SET state = 'active', next_at = $2, changed_by = $3, changed_at = now() WHERE id = $1`,
			id, orNull(s.table().Next(now)), by)
		return err
	})
}

// changeSchedule locks a schedule that is not removed, changes it and says so.
func changeSchedule(ctx context.Context, db DB, id uuid.UUID, what, by string, f func(pgx.Tx, ScheduleStatus) error) error {
	err := transact(ctx, db, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT 1 FROM schedule WHERE id = $1 FOR UPDATE`, id); err != nil {
			return err
		}
		s, err := ScheduleByID(ctx, tx, id)
		if err != nil {
			return err
		}
		if s.State == "removed" {
			return ErrEnded
		}
		if err := f(tx, s); err != nil {
			return err
		}
		return emit(ctx, tx, scheduleChange(s.Name, what, by))
	})
	if err != nil {
		return fmt.Errorf("jobs: schedule %s: %w", id, err)
	}
	return nil
}
