package jobs

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/jobs/watch"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// gathered returns a figure by its name and labels; false when it is not there.
func gathered(t *testing.T, from prometheus.Gatherer, name string, labels map[string]string) (*dto.Metric, bool) {
	t.Helper()
	families, err := from.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			same := f.GetName() == name
			for _, l := range m.GetLabel() {
				same = same && (labels[l.GetName()] == "" || labels[l.GetName()] == l.GetValue())
			}
			if same {
				return m, true
			}
		}
	}
	return nil, false
}

// What a process counts and what the tables tell, against the runs that were
// really made.
func TestFiguresOfALab(t *testing.T) {
	b := newTestBed(t, 1, nil)
	own, shared := prometheus.NewRegistry(), prometheus.NewRegistry()
	shared.MustRegister(WatchLab(b.pool))
	runs := b.submit(powerPlan, "T4-0001", "T4-0002")
	bench := map[string]string{"bench": "bench-1"}
	waiting, _ := gathered(t, shared, "benchyard_queue_runs", map[string]string{"state": "queued"})
	age, _ := gathered(t, shared, "benchyard_queue_oldest_seconds", bench)
	if waiting.GetGauge().GetValue() != 2 || age.GetGauge().GetValue() <= 0 {
		t.Errorf("queue: %v runs, the oldest %v s", waiting, age)
	}
	if _, held := gathered(t, shared, "benchyard_lease_held", bench); held {
		t.Error("a lease is shown that nobody holds")
	}
	b.start("a", func(o *AgentOptions) { o.Figures = watch.New(own) })
	for _, r := range runs {
		b.await(r)
	}
	within(t, 10*time.Second, "eight segments counted", func() bool {
		segments, ok := gathered(t, own, "benchyard_segment_seconds", map[string]string{"bench": "bench-1", "outcome": "stored"})
		return ok && segments.GetHistogram().GetSampleCount() == 8 // two units, four segments each
	})
	busy, _ := gathered(t, own, "benchyard_analyzer_busy_seconds_total", bench)
	working, _ := gathered(t, own, "benchyard_bench_working_seconds_total", bench)
	if b, w := busy.GetCounter().GetValue(), working.GetCounter().GetValue(); b <= 0 || b > w {
		t.Errorf("analyzer at work for %v s of %v s", b, w)
	}
	for name, labels := range map[string]map[string]string{
		"benchyard_leases_taken_total": {"bench": "bench-1", "takeover": "no"},
		"benchyard_safe_state_seconds": {"bench": "bench-1", "confirmed": "yes"},
	} {
		if _, ok := gathered(t, own, name, labels); !ok {
			t.Errorf("no %s %v", name, labels)
		}
	}
	held, ok := gathered(t, shared, "benchyard_lease_held", map[string]string{"bench": "bench-1", "holder": "a"})
	token, _ := gathered(t, shared, "benchyard_lease_token", bench)
	if !ok || held.GetGauge().GetValue() != 1 || token.GetGauge().GetValue() != 1 {
		t.Errorf("lease %v, token %v", held, token)
	}
}

// Without its database a lab still says that it cannot be read.
func TestFiguresWithoutDatabase(t *testing.T) {
	b := newTestBed(t, 1, nil)
	shared := prometheus.NewRegistry()
	shared.MustRegister(WatchLab(b.pool))
	if m, _ := gathered(t, shared, "benchyard_database_readable", nil); m.GetGauge().GetValue() != 1 {
		t.Errorf("readable: %v", m)
	}
	b.pool.Close()
	if m, _ := gathered(t, shared, "benchyard_database_readable", nil); m == nil || m.GetGauge().GetValue() != 0 {
		t.Errorf("not readable: %v", m)
	}
}

func TestKindsOfErrors(t *testing.T) {
	for want, err := range map[string]error{
		"no answer":        fmt.Errorf("x: %w", scpi.ErrTimeout),
		"lease lost":       fmt.Errorf("%w: %w", scpi.ErrRefused, errFenced), // the reason counts, not what it led to
		"instrument error": fmt.Errorf("x: %w", &scpi.Error{Number: -221}),
		"other":            errors.New("x"),
	} {
		if got := kindOf(err); got != want {
			t.Errorf("%v: got %q, want %q", err, got, want)
		}
	}
}
