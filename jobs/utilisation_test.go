package jobs

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/watch"

	"github.com/prometheus/client_golang/prometheus"
)

// regression is a plan as people write it for a new build: the quick clauses at every
// connector in two channels, the mask of emissions where it counts.
const regression = `plan: regression
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [B, M]}
  - {clause: 6.6.2, rf_channels: [B, M]}
  - {clause: 6.6.3, rf_channels: [B, M]}
  - {clause: 6.6.4, rf_channels: [M], connectors: [1]}
`

// quickRegression is its short form: two connectors, ten seconds of sweeps.
const quickRegression = `plan: regression
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1, 2]}
  - {clause: 6.6.3, rf_channels: [M], connectors: [1, 2]}
`

// warmRegression needs as long to warm up as it measures, 49 s of sweeps at four
// connectors; at another speed of the simulator the warm-up is as much shorter.
func warmRegression(speed float64, connectors string) string {
	return fmt.Sprintf(`plan: warm-regression
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
warm_up: {minimum: %[1]dms, limit: 10m, slope: 0.3dB, interval: 500ms, temperature_slope: 1000 K/min}
tests:
  - {clause: 6.2, rf_channels: [M], connectors: %[2]s}
  - {clause: 6.6.2, rf_channels: [M], connectors: %[2]s}
  - {clause: 6.6.3, rf_channels: [M], connectors: %[2]s}
`, int(49000/speed), connectors)
}

// stretch is when the analyzer of a bench was at work, by the journal of the simulator:
// from the start of each sweep until its trace was handed over.
type stretch struct {
	began, ended time.Time // of the first sweep longer than a look, and of the last
	busy         time.Duration
}

func (b *testBed) analyzerWork(analyzer string, from time.Time) (w stretch) {
	b.t.Helper()
	var began time.Time
	look := false
	for _, e := range b.journal.entries(b.t) {
		if e.Instrument != analyzer || e.Time.Before(from) {
			continue
		}
		switch {
		case e.Kind == "sweep":
			began = e.Time
			said := strings.Fields(e.Detail) // ends with how long it takes, "0.027 s"
			seconds, err := strconv.ParseFloat(said[len(said)-2], 64)
			look = err != nil || seconds < 0.1
		case e.Kind == "trace" && !began.IsZero():
			if w.began.IsZero() && !look {
				w.began = began
			}
			if !w.began.IsZero() {
				w.busy += e.Time.Sub(began)
				if !look {
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

// race is the same work on two equal benches at once, by the run loop and by the script.
type race struct {
	ours, theirs *testBed
	loop, script time.Duration
	counted      float64 // s, that the process says the analyzer was at work
	truth        stretch // by the simulator
	other        stretch // of the script
	cases        int
}

// raceOn measures units on both benches, one after the other in the script.
func raceOn(t *testing.T, document string, change func(*sim.Config), serials ...string) race {
	r := race{ours: newTestBed(t, 1, change), theirs: newTestBed(t, 1, change)}
	scripted := make(chan error, 1)
	var ended time.Time
	runs := r.theirs.submit(document, serials...)
	began := time.Now()
	go func() { // waited for below
		err := runScript(r.theirs, document, runs, serials)
		ended = time.Now()
		scripted <- err
	}()
	own := prometheus.NewRegistry()
	ids := r.ours.submit(document, serials...)
	r.ours.start("a", func(o *AgentOptions) { o.Figures, o.Timings.Segment = watch.New(own), time.Hour })
	for _, serial := range serials {
		within(t, 30*time.Minute, "the end of the run", func() bool { return run(t, r.ours.pool, ids[serial]).State.Final() })
	}
	r.loop = time.Since(began)
	if err := <-scripted; err != nil {
		t.Fatal(err)
	}
	r.script = ended.Sub(began)
	for _, serial := range serials {
		is := run(t, r.ours.pool, ids[serial])
		if r.cases += is.CasesTotal; is.Verdict != conformance.Pass || r.theirs.stored(runs[serial]) != is.CasesTotal {
			t.Fatalf("run %+v; the script has %d cases", is, r.theirs.stored(runs[serial]))
		}
	}
	r.truth, r.other = r.ours.analyzerWork("bench-1-analyzer", began), r.theirs.analyzerWork("bench-1-analyzer", began)
	figure, _ := gathered(t, own, "benchyard_analyzer_busy_seconds_total", map[string]string{"bench": "bench-1"})
	r.counted = figure.GetCounter().GetValue()
	t.Logf("%d cases: run loop %.1f s, script %.1f s, %.2f times as long; analyzer at work %.2f %% of %.1f s once warm, %.2f %% of all; counted %.1f s, by the simulator %.1f s; script %.2f %%",
		r.cases, r.loop.Seconds(), r.script.Seconds(), r.times(), 100*r.truth.share(), r.truth.ended.Sub(r.truth.began).Seconds(),
		100*r.truth.busy.Seconds()/r.loop.Seconds(), r.counted, r.truth.busy.Seconds(), 100*r.other.share())
	r.ours.mustBeClean()
	r.theirs.mustBeClean()
	if r.counted < 0.98*r.truth.busy.Seconds() {
		t.Errorf("%.2f s counted, the simulator says %.2f s", r.counted, r.truth.busy.Seconds())
	}
	return r
}

// times is how many times as long the script takes.
func (r race) times() float64 { return r.script.Seconds() / r.loop.Seconds() }

// hold checks the race. The short form only holds that the order of work pays: shares of
// a clock that runs faster, on a machine that does other things, say little.
func (r race) hold(t *testing.T, share, times float64) {
	t.Helper()
	if !inRealTime() {
		share, times = 0, 1
	}
	if r.truth.share() < share || r.times() < times {
		t.Errorf("share %.4f, %.2f times as fast; want at least %.2f and %.1f times", r.truth.share(), r.times(), share, times)
	}
}

// inRealTime reports whether the clock of the simulator runs as fast as that on the wall
// and the figures that a lab is promised are held: BENCHYARD_UTILISATION=1, make utilisation.
func inRealTime() bool { return os.Getenv("BENCHYARD_UTILISATION") != "" }

// One slot: what is once on the air is measured at all connectors before it is retuned.
func TestUtilisationOfOneSlot(t *testing.T) {
	t.Parallel() // it waits more than it works
	document, speed := quickRegression, 4.0
	if inRealTime() {
		document, speed = regression, 1
	}
	raceOn(t, document, func(c *sim.Config) { c.Speed, c.Types[0].Connectors = speed, 8 }, "T4-0001").hold(t, 0.97, 1.5)
}

// Three slots: the next units warm up while one is measured.
func TestUtilisationOfThreeSlots(t *testing.T) {
	t.Parallel()
	speed, connectors := 20.0, "[1, 2]"
	if inRealTime() {
		speed, connectors = 1, "all"
	}
	raceOn(t, warmRegression(speed, connectors), threeSlots(speed, 100), "T4-0001", "T4-0002", "T4-0003").hold(t, 0.9, 2)
}
