// Package watch counts what one process does with its benches, for whoever
// watches a lab from outside: leases taken, writes refused because a lease was
// lost, segments and how long they took, safe states, errors of instruments,
// and the time in which an analyzer was at work. The figures are of this process
// since it started, in the text format that Prometheus defined and OpenMetrics
// took over; what all processes share (queues, leases in force, alarms) stands in
// the database and is read from there when somebody asks, see package jobs.
//
// Names follow the naming rules of that format: base units in the name, totals of
// counters end with _total. A nil *Figures counts nothing, so that code that is
// watched does not ask whether it is.
package watch

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Figures are the counters of one process.
type Figures struct {
	leases    *prometheus.CounterVec
	fenced    *prometheus.CounterVec
	segments  *prometheus.HistogramVec
	safe      *prometheus.HistogramVec
	failures  *prometheus.CounterVec
	acquiring *prometheus.CounterVec
	working   *prometheus.CounterVec
}

// New registers the counters. It panics when they are registered already, as
// the registry does: that is a mistake of the program.
func New(to prometheus.Registerer) *Figures {
	f := &Figures{
		leases: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "benchyard_leases_taken_total",
			Help: "Leases of benches taken by this process; takeover=\"yes\": the holder before never gave it back."}, []string{"bench", "takeover"}),
		fenced: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "benchyard_fenced_total",
			Help: "Writes refused because the lease was lost, by where they were to go."}, []string{"bench", "to"}),
		segments: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "benchyard_segment_seconds",
			Help:    "Time from the claim of a segment until its outcome is stored or dropped.",
			Buckets: []float64{0.1, 0.3, 1, 3, 10, 30, 60, 120, 300, 600, 1200, 2700}}, []string{"bench", "outcome"}),
		safe: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "benchyard_safe_state_seconds",
			Help:    "Time to drive a bench to its safe state.",
			Buckets: []float64{0.01, 0.03, 0.1, 0.3, 1, 2, 5, 10, 30}}, []string{"bench", "confirmed"}),
		failures: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "benchyard_work_errors_total",
			Help: "Attempts at a segment that ended with an error, by its kind."}, []string{"bench", "kind"}),
		acquiring: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "benchyard_analyzer_busy_seconds_total",
			Help: "Time in which the analyzer of a bench was settling, sweeping or transferring; its rate is the utilisation."}, []string{"bench"}),
		working: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "benchyard_bench_working_seconds_total",
			Help: "Time in which a bench worked on segments, bring-up and storage included."}, []string{"bench"}),
	}
	to.MustRegister(f.leases, f.fenced, f.segments, f.safe, f.failures, f.acquiring, f.working)
	return f
}

// LeaseTaken counts a lease; takeover when its last holder never gave it back.
func (f *Figures) LeaseTaken(bench string, takeover bool) {
	if f != nil {
		f.leases.WithLabelValues(bench, yesNo(takeover)).Inc()
	}
}

// Where a write that was refused would have gone.
const (
	ToInstrument = "instrument"
	ToTable      = "table"
)

// Fenced counts a write that was refused because the lease was lost; to is
// ToInstrument or ToTable.
func (f *Figures) Fenced(bench, to string) {
	if f != nil {
		f.fenced.WithLabelValues(bench, to).Inc()
	}
}

// Segment counts one that ended, with what became of it in a word.
func (f *Figures) Segment(bench, outcome string, took time.Duration) {
	if f != nil {
		f.segments.WithLabelValues(bench, outcome).Observe(took.Seconds())
		f.working.WithLabelValues(bench).Add(took.Seconds())
	}
}

// SafeState counts a drive to the safe state.
func (f *Figures) SafeState(bench string, confirmed bool, took time.Duration) {
	if f != nil {
		f.safe.WithLabelValues(bench, yesNo(confirmed)).Observe(took.Seconds())
	}
}

// Failure counts an attempt that ended with an error of a kind.
func (f *Figures) Failure(bench, kind string) {
	if f != nil {
		f.failures.WithLabelValues(bench, kind).Inc()
	}
}

// Acquired adds time in which the analyzer was at work.
func (f *Figures) Acquired(bench string, took time.Duration) {
	if f != nil {
		f.acquiring.WithLabelValues(bench).Add(took.Seconds())
	}
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
