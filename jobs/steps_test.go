package jobs

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/bringup"
	"benchyard/jobs/conformance"

	"github.com/jackc/pgx/v5/pgxpool"
)

// The steps of a run are in the tables: all of them for each channel, the few of
// another connector, and how long each took.
func TestStepsAreStored(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	if r := b.await(id); r.Verdict != conformance.Pass {
		t.Fatalf("run %+v", r)
	}
	steps, err := StepsOf(t.Context(), b.pool, id)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	for _, s := range steps {
		counts[s.Name]++
		if s.Outcome != string(bringup.Done) || s.Tries != 1 || s.BeganAt.IsZero() {
			t.Errorf("step %+v", s)
		}
	}
	// Two channels, two connectors in each.
	for name, want := range map[string]int{"initial calibration": 2, "tracking": 2, "ramp": 2, "settle": 2, "path": 4, "interlocks": 4, "transmit": 4, "look": 2,
		"instruments answer": 1, "DC on": 1, "unit and build": 1, "analyzer preset": 1} {
		if counts[name] != want {
			t.Errorf("%d times %q, want %d", counts[name], name, want)
		}
	}
	// 0.5 s, 2 s and 9.2 s of simulated time, which runs a hundred times faster.
	if i := slices.IndexFunc(steps, func(s RunStep) bool { return s.Name == "tracking" }); steps[i].Duration < 0.08 {
		t.Errorf("tracking took %g s", steps[i].Duration)
	}
	b.mustBeClean()
}

// A unit in trouble is an error of the step that finds it, never a fail, and does not
// go on the air.
func TestTroubleIsFoundByItsStep(t *testing.T) {
	for trouble, step := range map[sim.Trouble]string{
		sim.LostPPS: "pulse per second", sim.BadCalibration: "initial calibration", sim.BadTracking: "tracking", sim.Overheated: "alarms",
	} {
		t.Run(string(trouble), func(t *testing.T) {
			b := newTestBed(t, 1, func(c *sim.Config) { c.Units[0].Troubles = []sim.Trouble{trouble} })
			serial := b.lab.Config().Units[0].Serial
			id := b.submit(onePlan, serial)[serial]
			b.start("a", nil)
			if r := b.await(id); r.State != Error || r.Clauses["6.2"].Failed != 0 {
				t.Errorf("run %+v", r)
			}
			var why string
			if err := b.pool.QueryRow(t.Context(), `SELECT error FROM measured_case WHERE run_id = $1`, id).Scan(&why); err != nil || !strings.Contains(why, step) {
				t.Errorf("the case says %q, %v; want %q", why, err, step)
			}
			if n := len(b.journal.since(t, 0, serial, "transmit on")); n != 0 {
				t.Errorf("it was on the air %d times", n)
			}
			b.mustBeClean()
		})
	}
}

// onePlan has one segment of one case.
const onePlan = `plan: one
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1]}
`

// tripwire is a log that acts when a step of the bring-up begins, and notes when the
// bench is driven to its safe state after that.
type tripwire struct {
	slog.Handler
	step string
	skip int // so many of these steps go by before
	act  func()
	// atOnce holds the step up until act has returned.
	atOnce bool

	mu      sync.Mutex
	tripped time.Time
	driven  time.Time
}

// Enabled wants everything.
func (w *tripwire) Enabled(context.Context, slog.Level) bool { return true }

// WithAttrs keeps the tripwire.
func (w *tripwire) WithAttrs([]slog.Attr) slog.Handler { return w }

// Handle looks at one record.
func (w *tripwire) Handle(_ context.Context, r slog.Record) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.tripped.IsZero() && w.driven.IsZero() && strings.HasPrefix(r.Message, "driving the bench") {
		w.driven = time.Now()
	}
	r.Attrs(func(a slog.Attr) bool {
		if a.Key == "step" && a.Value.String() == w.step && w.tripped.IsZero() {
			if w.skip--; w.skip >= 0 {
				return true
			}
			w.tripped = time.Now()
			if w.atOnce {
				w.act()
			} else {
				go w.act() // owned by the test: it waits for what follows from it
			}
		}
		return true
	})
	return nil
}

func (w *tripwire) times() (tripped, driven time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.tripped, w.driven
}

// Another path that somebody closes after the right one was read back is found right
// before the unit would transmit, and it does not.
func TestInterlockFindsAnotherPath(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(onePlan, "T4-0001")["T4-0001"]
	w := &tripwire{Handler: slog.DiscardHandler, step: "interlocks", atOnce: true, act: b.anotherPath}
	b.start("a", func(o *AgentOptions) { o.Logger = slog.New(w) })
	if r := b.await(id); r.State != Error || !strings.Contains(r.Error, "nothing may transmit") || !strings.Contains(r.Error, "bench-1-switcher") {
		t.Errorf("run %+v", r)
	}
	if n := len(b.journal.since(t, 0, "T4-0001", "transmit on")); n != 0 {
		t.Errorf("it was on the air %d times", n)
	}
	b.mustBeClean()
}

// anotherPath closes one behind the back of whoever drives the bench.
func (b *testBed) anotherPath() {
	b.tell("bench-1-switcher", ":ROUT:OPEN:ALL", ":ROUT:CLOS (@102)")
}

// safeWithin is how fast a unit must be off the air in wall time.
const safeWithin = 2 * time.Second

// Whatever ends a bring-up, and at whichever of its steps: within two seconds the unit
// is told to be silent, or has no DC any more. A lost database counts from the moment
// at which the lease forbids to go on, a lost instrument and an error from the moment
// they are noticed, which a time-out of the exchange may take. BENCHYARD_LONG=1 takes
// every step, with the simulated clock at that of the wall.
func TestSafeStateAtEachStep(t *testing.T) {
	steps, speed := []string{"mute", "no power at the analyzer", "initial calibration", "tracking", "look at low power", "settle"}, 10.0
	if long() {
		steps, speed = nil, 1
		for _, s := range (bringup.Task{}).Tune() {
			steps = append(steps, s.Name)
		}
	}
	for _, step := range steps {
		for _, cause := range []string{"cancel", "error", "lost instrument", "lost database", "stop"} {
			t.Run(step+" "+cause, func(t *testing.T) {
				t.Parallel() // they wait more than they work
				endBringUp(t, step, cause, speed)
			})
		}
	}
}

func endBringUp(t *testing.T, step, cause string, speed float64) {
	b := newTestBed(t, 1, func(c *sim.Config) { c.Speed = speed })
	id := b.submit(onePlan, "T4-0001")["T4-0001"]
	network := &cable{}
	config := b.pool.Config()
	config.ConnConfig.DialFunc = network.dial
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	var agent *Agent
	acted := make(chan error, 1)
	w := &tripwire{Handler: slog.DiscardHandler, step: step}
	w.act = func() {
		switch cause {
		case "cancel":
			_, err := Cancel(context.Background(), b.pool, id, "ann")
			acted <- err
		case "error":
			acted <- b.lab.Inject("bench-1-analyzer", sim.Garbage)
		case "lost instrument":
			acted <- b.lab.Inject("T4-0001", sim.Silent)
		case "lost database":
			network.pull(true)
			acted <- nil
		case "stop":
			acted <- agent.Stop(context.Background())
		}
	}
	agent = b.start("a", func(o *AgentOptions) { o.Pool, o.Logger = pool, slog.New(w) })
	within(t, time.Minute, "the safe state", func() bool {
		_, driven := w.times()
		return !driven.IsZero()
	})
	tripped, driven := w.times()
	from := tripped
	switch cause {
	case "error", "lost instrument":
		from = driven
	case "lost database":
		from = tripped.Add(quick().TTL - 2*quick().Margin)
	}
	within(t, 10*time.Second, "a unit off the air", func() bool {
		off, ok := b.silenced(t, tripped)
		if ok && off.Sub(from) > safeWithin {
			t.Errorf("off the air %s after %s at %q, want within %s", off.Sub(from), cause, step, safeWithin)
		}
		return ok
	})
	network.pull(false)
	for _, name := range []string{"bench-1-analyzer", "T4-0001"} {
		b.inject(name, sim.None)
	}
	if err := <-acted; err != nil {
		t.Error(err)
	}
	if damaged := b.lab.Damaged(); len(damaged) > 0 {
		t.Errorf("damaged: %q", damaged)
	}
}

// silenced returns when the unit was told after some moment not to transmit, or lost
// its DC, and is silent since.
func (b *testBed) silenced(t *testing.T, after time.Time) (off time.Time, ok bool) {
	for _, e := range b.journal.entries(t) {
		switch {
		case e.Time.Before(after):
		case e.Instrument == "T4-0001" && e.Kind == "transmit on":
			ok = false
		case !ok && (e.Instrument == "T4-0001" && e.Kind == "transmit off" || e.Instrument == "bench-1-supply" && e.Kind == "output off"):
			off, ok = e.Time, true
		}
	}
	return off, ok && len(b.lab.Transmitting()) == 0
}
