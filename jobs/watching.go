package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	"benchyard/jobs/bringup"
	"benchyard/jobs/procedure"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
)

// kinds of errors of work, the first that fits, as those who watch count them.
var kinds = []struct {
	err  error
	name string
}{
	{errFenced, "lease lost"}, {errCancelled, "cancelled"}, {errStopping, "agent stopping"}, {errTooLong, "took too long"},
	{context.Canceled, "cancelled"}, {bringup.ErrUnsafe, "nothing may transmit"}, {procedure.ErrOverdrive, "attenuation budget"},
	{analyzer.ErrOverload, "overload"}, {analyzer.ErrReference, "reference not locked"}, {scpi.ErrTimeout, "no answer"},
	{scpi.ErrRestarted, "restarted"}, {scpi.ErrWrongInstrument, "another instrument"}, {scpi.ErrAnswer, "bad answer"},
	{scpi.ErrUnconfirmed, "not confirmed"}, {scpi.ErrRefused, "write refused"},
}

// kindOf puts an error of work into one of few words.
func kindOf(err error) string {
	for _, k := range kinds {
		if errors.Is(err, k.err) {
			return k.name
		}
	}
	if refused := (*scpi.Error)(nil); errors.As(err, &refused) {
		return "instrument error"
	}
	return "other"
}

// timedSource is an analyzer whose time at work is counted.
type timedSource struct {
	*analyzer.Analyzer
	rig *rig
}

// Sweep sets, sweeps and transfers.
func (s timedSource) Sweep(ctx context.Context, sweep rf.Sweep) (rf.Spectrum, error) {
	began := time.Now()
	defer func() { s.rig.agent.Figures.Acquired(s.rig.lease.bench, time.Since(began)) }()
	return s.Analyzer.Sweep(ctx, sweep)
}

// source opens an analyzer for measurements.
func (r *rig) source(ctx context.Context, name string) (procedure.SpectrumSource, error) {
	a, err := instrumentOf[*analyzer.Analyzer](ctx, r, name)
	if err != nil {
		return nil, err
	}
	return timedSource{a, r}, nil
}

// LabWatch reads, each time it is asked, what all processes of a lab share: the
// queue of each bench, the leases in force, alarms and holds. It is a collector
// for a registry of figures.
type LabWatch struct {
	db DB
}

// WatchLab returns the collector of a database.
func WatchLab(db DB) *LabWatch { return &LabWatch{db} }

// watchLimit bounds the reading: whoever asks does so again soon.
const watchLimit = 3 * time.Second

// What LabWatch tells.
var (
	queuedRuns   = labDesc("benchyard_queue_runs", "Runs of a bench by state, those that have ended left out.", "bench", "state")
	oldestRun    = labDesc("benchyard_queue_oldest_seconds", "Age of the run that has waited longest for a bench; 0 where none waits.", "bench")
	leaseHeld    = labDesc("benchyard_lease_held", "1 for the holder of a lease in force.", "bench", "holder")
	leaseToken   = labDesc("benchyard_lease_token", "Fencing token of a bench; it grows by one with every new holder.", "bench")
	leaseAge     = labDesc("benchyard_lease_age_seconds", "Time since the holder took the lease in force.", "bench")
	benchAlarm   = labDesc("benchyard_bench_alarm", "1 while the safe state of a bench is not confirmed.", "bench")
	benchHeld    = labDesc("benchyard_bench_held", "1 while a bench is held.", "bench")
	databaseRead = labDesc("benchyard_database_readable", "1 when the figures of the lab could be read from the database.")
)

func labDesc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(name, help, labels, nil)
}

// Describe sends what can be collected.
func (w *LabWatch) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{queuedRuns, oldestRun, leaseHeld, leaseToken, leaseAge, benchAlarm, benchHeld, databaseRead} {
		to <- d
	}
}

// Collect reads the tables. Without the database it tells only that.
func (w *LabWatch) Collect(to chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), watchLimit)
	defer cancel()
	benches, err := w.read(ctx)
	readable := 1.0
	if err != nil {
		readable = 0
	}
	send := func(d *prometheus.Desc, value float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, value, labels...)
	}
	send(databaseRead, readable)
	for _, b := range benches {
		send(queuedRuns, b.Queued, b.Name, "queued")
		send(queuedRuns, b.Blocked, b.Name, "blocked")
		send(queuedRuns, b.Active, b.Name, "active")
		send(oldestRun, b.Oldest, b.Name)
		send(leaseToken, b.Token, b.Name)
		send(benchAlarm, b.Alarm, b.Name)
		send(benchHeld, b.Held, b.Name)
		if b.Holder != "" {
			send(leaseHeld, 1, b.Name, b.Holder)
			send(leaseAge, b.LeaseAge, b.Name)
		}
	}
}

// benchWatch is what the tables say of a bench.
type benchWatch struct {
	Name                            string
	Queued, Blocked, Active, Oldest float64
	Token                           float64
	Holder                          string
	LeaseAge, Alarm, Held           float64
}

func (w *LabWatch) read(ctx context.Context) ([]benchWatch, error) {
	rows, err := w.db.Query(ctx, `
		SELECT b.name, coalesce(q.queued, 0)::float8, coalesce(q.blocked, 0)::float8, coalesce(q.active, 0)::float8, coalesce(q.oldest, 0)::float8,
		       coalesce(l.token, 0)::float8, CASE WHEN l.expires_at > now() THEN l.holder ELSE '' END,
		       coalesce(extract(epoch FROM now() - l.taken_at), 0)::float8,
		       (b.alarm IS NOT NULL)::int::float8, (b.hold_reason IS NOT NULL)::int::float8
		FROM bench b LEFT JOIN bench_lease l ON l.bench = b.name
		LEFT JOIN (
			SELECT bench, count(*) FILTER (WHERE state = 'queued' AND blocked IS NULL) AS queued,
			       count(*) FILTER (WHERE state = 'queued' AND blocked IS NOT NULL) AS blocked,
			       count(*) FILTER (WHERE state = 'active') AS active,
			       extract(epoch FROM now() - min(queued_at) FILTER (WHERE state = 'queued')) AS oldest
			FROM run WHERE state IN ('queued', 'active') GROUP BY bench) q ON q.bench = b.name
		ORDER BY b.name`)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading what the benches do: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[benchWatch])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading what the benches do: %w", err)
	}
	return found, nil
}
