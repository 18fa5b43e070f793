package jobs

import (
	"context"
	"fmt"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/lab"
	"benchyard/jobs/scheduler"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// needs is what a run wants of its bench, as stored with it.
type needs struct {
	LowHz      float64  `json:"low_hz,omitempty"`
	HighHz     float64  `json:"high_hz,omitempty"`
	PowerDBm   float64  `json:"power_dbm,omitempty"`
	Connectors int      `json:"connectors,omitempty"`
	Options    []string `json:"options,omitempty"`
}

// openRun is a run that is queued or active, as the scheduler must know it.
type openRun struct {
	ID       uuid.UUID
	Campaign uuid.UUID
	Title    string // campaign name
	Serial   string
	UnitType string
	Bench    string // empty: of a unit on the shelf
	Plan     string
	Build    string
	LabID    int64
	Priority int
	By       string
	State    State
	QueuedAt time.Time
	Deadline *time.Time
	Blocked  string
	Pausing  bool
	SetUp    setUp
	Needs    needs
	Fits     map[string][]int
	Cases    int
	Nominal  float64 // s, of what is still to be measured
	Segments int     // still to be measured; zero for one that has not begun
	Since    float64 // s, that the segment in work took so far
}

// Only a run that has begun has segments behind it.
const openRunQuery = `
	SELECT r.id, r.campaign_id, c.name, r.serial, r.unit_type, coalesce(r.bench, ''), p.name, c.build, coalesce(r.lab_id, c.lab_id), c.priority,
	       c.requested_by, r.state, r.queued_at, c.deadline, coalesce(r.blocked, ''), r.pause_requested IS NOT NULL, r.set_up, r.needs, r.fits, r.cases,
	       r.estimate_s * coalesce(g.cases, r.cases) / greatest(r.cases, 1), coalesce(g.segments, 0), coalesce(g.since, 0)
	FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN plan_version p ON p.id = c.plan_id
	LEFT JOIN LATERAL (
	    SELECT coalesce(sum(cases), 0)::float8 AS cases, count(*) AS segments,
	           extract(epoch FROM now() - min(started_at) FILTER (WHERE state = 'running'))::float8 AS since
	    FROM run_segment WHERE run_id = r.id AND state IN ('pending', 'running')) g ON r.started_at IS NOT NULL `

func openRuns(ctx context.Context, db DB, where string, args ...any) ([]openRun, error) {
	rows, err := db.Query(ctx, openRunQuery+where, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading the queue: %w", err)
	}
	runs, err := pgx.CollectRows(rows, pgx.RowToStructByPos[openRun])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading the queue: %w", err)
	}
	return runs, nil
}

// job is the run in the words of the scheduler. A unit that was on the shelf when
// the run was queued may be mounted by now.
func (r *openRun) job(l *lab.Lab, e *experience, now time.Time) scheduler.Job {
	j := scheduler.Job{
		ID: r.ID.String(), Unit: r.Serial, Bench: r.Bench, Fits: r.Fits, Class: ClassOf(r.Priority), Requester: r.By, Queued: r.QueuedAt,
		Family: r.SetUp.family(), Kind: runKind(r.Plan, r.UnitType), Segments: r.Segments,
		Needs: scheduler.Needs{
			Frequency: rf.Range{Low: rf.Hertz(r.Needs.LowHz), High: rf.Hertz(r.Needs.HighHz)}, Power: rf.DBm(r.Needs.PowerDBm),
			Connectors: r.Needs.Connectors, Options: r.Needs.Options,
		},
	}
	if r.Deadline != nil {
		j.Deadline = *r.Deadline
	}
	if u, ok := l.Unit(r.Serial); ok {
		if j.Bench == "" {
			j.Bench = u.Bench
		}
		j.Valid = pathsUntil(l, u, now)
	}
	j.Takes = e.takes(j.Kind, j.Bench, time.Duration(r.Nominal*float64(time.Second)))
	return j
}

// rest estimates what is left of a run in work.
func (r *openRun) rest(j scheduler.Job) scheduler.Estimate {
	return j.Takes.Less(time.Duration(r.Since * float64(time.Second)))
}

// horizon is how far ahead windows are looked at.
const horizon = 60 * 24 * time.Hour

// benchOf is a bench of the inventory in the words of the scheduler.
func benchOf(l *lab.Lab, b lab.Bench, e *experience, now time.Time) scheduler.Bench {
	s := scheduler.Bench{Name: b.Name, Options: b.Options, SetUp: e.standing[b.Name]}
	if analyzer, ok := l.Instrument(b.Analyzer); ok {
		s.Frequency = analyzer.Frequency
	}
	for _, p := range l.Paths {
		if p.Bench == b.Name {
			s.Connectors = max(s.Connectors, p.Connector)
		}
	}
	for _, i := range l.InstrumentsOn(b) {
		s.Calibrated = sooner(s.Calibrated, endOf(i.CalibrationDue, now))
	}
	for _, w := range l.WindowsOf(b.Name, now, now.Add(horizon)) {
		s.Windows = append(s.Windows, scheduler.Window{From: w.From.In(now.Location()), Until: w.Until.In(now.Location()), For: w.For, Reason: w.Reason})
	}
	return s
}

// pathsUntil is when the first correction of the paths of a unit ends.
func pathsUntil(l *lab.Lab, u lab.RadioUnit, now time.Time) time.Time {
	var until time.Time
	for _, p := range l.Paths {
		if p.Bench == u.Bench && p.Slot == u.Slot {
			until = sooner(until, endOf(p.ValidUntil, now))
		}
	}
	return until
}

// endOf is the end of a last good day where now is; the zero time without a day.
func endOf(d lab.Date, now time.Time) time.Time {
	if d.IsZero() {
		return time.Time{}
	}
	return now.Add(d.Sub(now)).AddDate(0, 0, 1)
}

// sooner returns the earlier of two times, of which the zero one is never.
func sooner(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// flap is how often a bench was taken over within the last hour from a holder that
// was lost.
type flap struct {
	count int
	last  time.Time
}

func readFlaps(ctx context.Context, db DB) (map[string]flap, error) {
	rows, err := db.Query(ctx, `SELECT bench, count(*), max(at) FROM bench_takeover WHERE abandoned AND at > now() - interval '1 hour' GROUP BY bench`)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading take-overs: %w", err)
	}
	flaps := map[string]flap{}
	var bench string
	var f flap
	_, err = pgx.ForEachRow(rows, []any{&bench, &f.count, &f.last}, func() error {
		flaps[bench] = f
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("jobs: reading take-overs: %w", err)
	}
	return flaps, nil
}

// warnOfFlapping says in the log that the bench changes hands too often.
func (k *keeper) warnOfFlapping(ctx context.Context) {
	flaps, err := readFlaps(ctx, k.agent.Pool)
	if n := flaps[k.bench].count; err == nil && n >= scheduler.Flapping {
		k.log.WarnContext(ctx, "the bench flaps and gets less work: look at its agents and its network", "takeovers within an hour", n)
	}
}
