package jobs

import (
	"context"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
	"benchyard/jobs/bringup"
)

// refusedAtInterlocks runs one case during which something happens right before the
// interlocks are asked, and wants that they say why nothing transmits.
func refusedAtInterlocks(t *testing.T, b *testBed, happens func(), clock func() time.Time, why string) {
	t.Helper()
	id := b.submit(onePlan, "T4-0001")["T4-0001"]
	w := &tripwire{Handler: slog.DiscardHandler, step: "interlocks", atOnce: true, act: happens}
	b.start("a", func(o *AgentOptions) { o.Logger, o.Clock = slog.New(w), clock })
	r := b.await(id)
	if r.State != Error || !strings.Contains(r.Error, "nothing may transmit") || !strings.Contains(r.Error, why) {
		t.Errorf("run %+v, want an error with %q", r, why)
	}
	if n := len(b.journal.since(t, 0, "T4-0001", "transmit on")); n != 0 {
		t.Errorf("it was on the air %d times", n)
	}
}

// A correction that ends while the unit is brought up is not used.
func TestInterlockFindsAnExpiredCorrection(t *testing.T) {
	var late atomic.Bool
	b := newTestBed(t, 1, nil)
	refusedAtInterlocks(t, b, func() { late.Store(true) }, func() time.Time {
		if late.Load() {
			return time.Now().AddDate(5, 0, 0)
		}
		return time.Now()
	}, "was valid until")
	b.mustBeClean()
}

// A generator that does not say that it is off may be feeding the path.
func TestInterlockWantsTheGeneratorOff(t *testing.T) {
	b := newTestBed(t, 1, nil)
	refusedAtInterlocks(t, b, func() { b.inject("bench-1-generator", sim.Silent) }, nil, "bench-1-generator: its output is not confirmed off")
	b.inject("bench-1-generator", sim.None)
	eventually(t, "a safe bench once the generator answers again", func() bool { return len(b.lab.Transmitting()) == 0 })
}

// A generator that somebody has switched on is off before the unit transmits.
func TestInterlockSwitchesALiveGeneratorOff(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(onePlan, "T4-0001")["T4-0001"]
	w := &tripwire{Handler: slog.DiscardHandler, step: "interlocks", atOnce: true, act: func() {
		b.tell("bench-1-generator", ":SOUR:FREQ:CW 3.55 GHZ", ":SOUR:POW -60 DBM", ":OUTP ON")
	}}
	b.start("a", func(o *AgentOptions) { o.Logger = slog.New(w) })
	if r := b.await(id); r.State != Done {
		t.Errorf("run %+v", r)
	}
	live, seen := false, false
	for _, e := range b.journal.entries(t) {
		switch {
		case e.Instrument == "bench-1-generator" && e.Kind == "output on":
			live, seen = true, true
		case e.Instrument == "bench-1-generator" && e.Kind == "output off":
			live = false
		case e.Instrument == "T4-0001" && e.Kind == "transmit on" && live:
			t.Error("the unit transmits against a live generator")
		}
	}
	if !seen {
		t.Error("nobody switched the generator on: this test shows nothing")
	}
	b.mustBeClean()
}

// tell sends commands to an instrument behind the back of whoever drives the bench.
func (b *testBed) tell(instrument string, commands ...string) {
	ctx := context.Background()
	text, err := b.lab.Resource(instrument)
	if err != nil {
		b.t.Error(err)
		return
	}
	resource, err := scpi.ParseResource(text)
	if err != nil {
		b.t.Error(err)
		return
	}
	s, err := scpi.Dial(ctx, resource, scpi.Config{})
	if err == nil {
		err = s.Command(ctx, commands...)
		_ = s.Close() // it has done what it was for
	}
	if err != nil {
		b.t.Error(err)
	}
}

// What was done to the unit of a run that somebody cancelled stays in its record, the
// step at which it ended included.
func TestStepsOfACancelledRunAreStored(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) { c.Speed = 1 })
	id := b.submit(onePlan, "T4-0001")["T4-0001"]
	w := &tripwire{Handler: slog.DiscardHandler, step: "tracking", act: func() {
		if _, err := Cancel(context.Background(), b.pool, id, "ann"); err != nil {
			t.Error(err)
		}
	}}
	b.start("a", func(o *AgentOptions) { o.Logger = slog.New(w) })
	var last RunStep
	eventually(t, "steps of the cancelled run", func() bool {
		steps, err := StepsOf(t.Context(), b.pool, id)
		if err != nil || len(steps) == 0 {
			return false
		}
		last = steps[len(steps)-1]
		return true
	})
	if last.Name != "tracking" || last.Outcome != string(bringup.Failed) || !strings.Contains(last.Detail, "cancelled") {
		t.Errorf("the last step is %+v", last)
	}
	if r := run(t, b.pool, id); r.State != Cancelled {
		t.Errorf("run %+v", r)
	}
}
