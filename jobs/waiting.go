package jobs

import (
	"cmp"
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

// headOfCampaign is how many runs of a campaign a bench looks at: they are alike but
// for their set-up, and come in the order of the queue anyway.
const headOfCampaign = 200

// waitingFor reads what a bench may choose from: the first runs of every campaign
// that wait for it, and those of units that have come to it from the shelf.
func waitingFor(ctx context.Context, db DB, bench string, mounted []string) ([]openRun, error) {
	runs, err := openRuns(ctx, db, `WHERE r.id IN (
		SELECT head.id FROM (SELECT DISTINCT campaign_id FROM run WHERE state = 'queued' AND bench = $1) open
		CROSS JOIN LATERAL (SELECT id FROM run WHERE state = 'queued' AND bench = $1 AND campaign_id = open.campaign_id
			AND (due_at IS NULL OR due_at <= clock_timestamp()) ORDER BY queued_at, id LIMIT $2) head)`,
		bench, headOfCampaign)
	if err != nil {
		return nil, err
	}
	shelf, err := openRuns(ctx, db, `WHERE r.state = 'queued' AND r.bench IS NULL AND r.serial = ANY($1)`, mounted)
	return append(runs, shelf...), err
}

// job is the run in the words of the scheduler. A unit that was on the shelf when
// the run was queued may be mounted by now.
func (r *openRun) job(at whereabouts, e *experience, now time.Time) scheduler.Job {
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
	u := at[r.Serial]
	j.Bench, j.Valid = cmp.Or(j.Bench, u.bench), u.until
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

// whereabouts tells of each unit that has a slot where it is, and when the first
// correction of its paths ends.
type whereabouts map[string]struct {
	bench string
	until time.Time
}

// findAll looks through the inventory once for all units.
func findAll(l *lab.Lab, now time.Time) whereabouts {
	type place struct {
		bench string
		slot  int
	}
	until := map[place]time.Time{}
	for _, p := range l.Paths {
		at := place{p.Bench, p.Slot}
		until[at] = sooner(until[at], endOf(p.ValidUntil, now))
	}
	all := whereabouts{}
	for _, u := range l.Units {
		if u.Mounted() {
			w := all[u.Serial]
			w.bench, w.until = u.Bench, until[place{u.Bench, u.Slot}]
			all[u.Serial] = w
		}
	}
	return all
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

// readFlaps counts the take-overs from holders that vanished, by bench: those of the
// last hour, and since a person last released the bench.
func readFlaps(ctx context.Context, db DB) (map[string]flap, error) {
	rows, err := db.Query(ctx, `
		SELECT t.bench, count(*), max(t.at) FROM bench_takeover t JOIN bench b ON b.name = t.bench
		WHERE t.abandoned AND t.at > greatest(now() - interval '1 hour', coalesce(b.trusted_at, '-infinity')) GROUP BY t.bench`)
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
