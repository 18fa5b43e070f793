package jobs

import (
	"os"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/jobs/watch"

	"github.com/prometheus/client_golang/prometheus"
)

// regression is a plan as people write it for a new build: the quick clauses at every
// connector, the long ones where it counts. Everything needs the same carrier.
const regression = `plan: regression
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M]}
  - {clause: 6.6.2, rf_channels: [M]}
  - {clause: 6.6.3, rf_channels: [M]}
  - {clause: 6.6.4, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.5, rf_channels: [M], connectors: [1]}
`

// quickRegression is its short form: two connectors, ten seconds of sweeps.
const quickRegression = `plan: regression
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1, 2]}
  - {clause: 6.6.3, rf_channels: [M], connectors: [1, 2]}
`

// stretch is when the analyzer of a bench was at work, by the journal of the simulator:
// from the start of each sweep until its trace was handed over.
type stretch struct {
	began, ended time.Time // of the first sweep longer than a look, and of the last
	busy         time.Duration
}

func (b *testBed) analyzerWork(analyzer string, from time.Time) (w stretch) {
	b.t.Helper()
	var began time.Time
	long := 100 * time.Millisecond / time.Duration(b.lab.Config().Speed)
	for _, e := range b.journal.entries(b.t) {
		if e.Instrument != analyzer || e.Time.Before(from) {
			continue
		}
		switch {
		case e.Kind == "sweep":
			began = e.Time
		case e.Kind == "trace" && !began.IsZero():
			took := e.Time.Sub(began)
			if w.began.IsZero() && took >= long {
				w.began = began
			}
			if !w.began.IsZero() {
				w.busy += took
				if took >= long {
					w.ended = e.Time
				}
			}
			began = time.Time{}
		}
	}
	return w
}

// share is that of the analyzer's work in the time from its first measurement to its last.
func (w stretch) share() float64 { return w.busy.Seconds() / w.ended.Sub(w.began).Seconds() }

// One slot, the same plan, the same simulated bench twice: once with the run loop, once
// with the script. BENCHYARD_UTILISATION=1 (make utilisation) runs the clock of the
// simulator as fast as that on the wall and holds the shares that a lab is promised;
// the short form holds that work is counted truly and that the order of work pays.
func TestUtilisationOfOneSlot(t *testing.T) {
	t.Parallel() // it waits more than it works
	full := os.Getenv("BENCHYARD_UTILISATION") != ""
	document, speed := quickRegression, 4.0
	if full {
		document, speed = regression, 1
	}
	change := func(c *sim.Config) {
		c.Speed = speed
		c.Types[0].Connectors = 8
	}
	ours, theirs := newTestBed(t, 1, change), newTestBed(t, 1, change)
	took := make(chan time.Duration, 1)
	var scripted []results.Case
	var failed error
	other := theirs.submit(document, "T4-0001")["T4-0001"]
	go func() { // waited for below
		began := time.Now()
		defer func() { took <- time.Since(began) }()
		scripted, failed = runScript(theirs, other, "T4-0001", "2.4.0", document)
	}()
	own := prometheus.NewRegistry()
	began := time.Now()
	id := ours.submit(document, "T4-0001")["T4-0001"]
	ours.start("a", func(o *AgentOptions) { o.Figures = watch.New(own) })
	within(t, 20*time.Minute, "the end of the run", func() bool { return run(t, ours.pool, id).State.Final() })
	loop, script := time.Since(began), <-took
	r := run(t, ours.pool, id)
	if failed != nil || r.Verdict != conformance.Pass || len(scripted) != r.CasesTotal {
		t.Fatalf("run %+v, the script has %d cases: %v", r, len(scripted), failed)
	}
	for _, c := range scripted {
		if c.Verdict != conformance.Pass {
			t.Errorf("the script says %s of %s", c.Verdict, c.Key)
		}
	}
	truth := ours.analyzerWork("bench-1-analyzer", began)
	whole := truth.busy.Seconds() / loop.Seconds() // bring-up and safe state included, looks during bring-up left out
	counted, _ := gathered(t, own, "benchyard_analyzer_busy_seconds_total", map[string]string{"bench": "bench-1"})
	busy := counted.GetCounter().GetValue()
	t.Logf("%d cases at %gx: run loop %.1f s, script %.1f s, %.2f times as long; analyzer at work %.2f %% of %.1f s once warm, %.2f %% of all; counted %.1f s, by the simulator %.1f s; script %.2f %%",
		r.CasesTotal, speed, loop.Seconds(), script.Seconds(), script.Seconds()/loop.Seconds(), 100*truth.share(), truth.ended.Sub(truth.began).Seconds(),
		100*whole, busy, truth.busy.Seconds(), 100*theirs.analyzerWork("bench-1-analyzer", began).share())
	if busy < 0.98*truth.busy.Seconds() {
		t.Errorf("%.2f s counted, the simulator says %.2f s", busy, truth.busy.Seconds())
	}
	if script < loop {
		t.Errorf("the script took %s, the run loop %s", script, loop)
	}
	if full && (whole < 0.97 || script.Seconds() < 1.5*loop.Seconds()) {
		t.Errorf("want at least 97 %% and 1.5 times")
	}
	ours.mustBeClean()
	theirs.mustBeClean()
}
