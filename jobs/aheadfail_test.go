package jobs

import (
	"context"
	"log/slog"
	"slices"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/bringup"
	"benchyard/jobs/conformance"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Whatever ends a preparation, and at whichever of its steps: within two seconds every
// unit that it concerns is off the air. A cancelled preparation leaves the measured unit
// alone; one whose unit is lost does not, for nobody knows what that unit does. Times
// count as in TestSafeStateAtEachStep. BENCHYARD_LONG=1 takes every step in real time.
func TestSafeStateDuringPreparations(t *testing.T) {
	steps, speed := []string{"tracking", "warm-up"}, 10.0
	if long() {
		steps, speed = []string{"unit and build", "warm-up"}, 1
		for _, s := range (bringup.Task{}).Ahead() {
			steps = append(steps, s.Name)
		}
	}
	for _, step := range steps {
		for _, cause := range []string{"cancel measured", "cancel prepared", "lost prepared", "lost analyzer", "lost database", "stop"} {
			t.Run(step+" "+cause, func(t *testing.T) {
				t.Parallel() // they wait more than they work
				endPreparation(t, step, cause, speed)
			})
		}
	}
}

func endPreparation(t *testing.T, step, cause string, speed float64) {
	b := newTestBed(t, 1, threeSlots(speed, 100))
	runs := b.submit(warmPlan(40/speed), "T4-0001", "T4-0002", "T4-0003")
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
	w := &tripwire{Handler: slog.DiscardHandler, step: "ahead: " + step}
	w.act = func() { acted <- b.disturb(agent, network, cause, runs) }
	agent = b.start("a", func(o *AgentOptions) { o.Pool, o.Logger = pool, slog.New(w) })
	within(t, time.Minute, "the step", func() bool {
		tripped, driven := w.times()
		return !tripped.IsZero() && (cause == "cancel prepared" || !driven.IsZero())
	})
	tripped, driven := w.times()
	from, concerned := tripped, []string{"T4-0001", "T4-0002", "T4-0003"}
	switch cause {
	case "cancel prepared":
		concerned = []string{"T4-0002"}
	case "lost prepared", "lost analyzer":
		from = driven
	case "lost database":
		from = tripped.Add(quick().TTL - 2*quick().Margin)
	}
	within(t, 10*time.Second, "units off the air", func() bool {
		off, ok := b.allSilenced(t, tripped, concerned...)
		if ok && off.Sub(from) > safeWithin {
			t.Errorf("off the air %s after %s at %q, want within %s", off.Sub(from), cause, step, safeWithin)
		}
		return ok
	})
	network.pull(false)
	for _, name := range []string{"bench-1-analyzer", "T4-0002"} {
		b.inject(name, sim.None)
	}
	if err := <-acted; err != nil {
		t.Error(err)
	}
	if cause == "cancel prepared" {
		if r := b.await(runs["T4-0001"]); r.Verdict != conformance.Pass {
			t.Errorf("the measured run: %+v", r)
		}
	}
	if damaged := b.lab.Damaged(); len(damaged) > 0 {
		t.Errorf("damaged: %q", damaged)
	}
}

// disturb does what ends a preparation. The bench is held first, so that nothing goes on
// the air again afterwards.
func (b *testBed) disturb(agent *Agent, network *cable, cause string, runs map[string]uuid.UUID) error {
	ctx := context.Background()
	if err := HoldBench(ctx, b.pool, "bench-1", "test", "ann"); err != nil {
		return err
	}
	switch cause {
	case "cancel measured":
		_, err := Cancel(ctx, b.pool, runs["T4-0001"], "ann")
		return err
	case "cancel prepared":
		_, err := Cancel(ctx, b.pool, runs["T4-0002"], "ann")
		return err
	case "lost prepared":
		return b.lab.Inject("T4-0002", sim.Silent)
	case "lost analyzer":
		return b.lab.Inject("bench-1-analyzer", sim.Silent)
	case "lost database":
		network.pull(true)
		return nil
	}
	return agent.Stop(ctx)
}

// allSilenced returns when the last of some units was told after some moment not to
// transmit, or the bench lost its DC, and they are silent since.
func (b *testBed) allSilenced(t *testing.T, after time.Time, serials ...string) (last time.Time, ok bool) {
	off := map[string]time.Time{}
	for _, e := range b.journal.entries(t) {
		for _, s := range serials {
			switch {
			case e.Time.Before(after):
			case e.Instrument == s && e.Kind == "transmit on":
				delete(off, s)
			case off[s].IsZero() && (e.Instrument == s && e.Kind == "transmit off" || e.Instrument == "bench-1-supply" && e.Kind == "output off"):
				off[s] = e.Time
			}
		}
	}
	for _, at := range off {
		if at.After(last) {
			last = at
		}
	}
	on := b.lab.Transmitting()
	return last, len(off) == len(serials) && !slices.ContainsFunc(serials, func(s string) bool { return slices.Contains(on, s) })
}
