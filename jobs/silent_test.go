package jobs

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/generator"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
)

// offWithin is how soon what transmits is off once a bench is driven to its safe state.
const offWithin = 2 * time.Second

// rigOf returns connections of bench-1 under a lease of its own.
func (b *testBed) rigOf(holder string) *rig {
	b.t.Helper()
	l, _, err := lab.Load(b.t.Context(), b.pool, 0)
	if err != nil {
		b.t.Fatal(err)
	}
	timings := quick()
	timings.TTL = 15 * time.Second // as in a real lab: no step of a safe state is cut short by it
	a, err := NewAgent(AgentOptions{Pool: b.pool, Name: holder, Timings: timings})
	if err != nil {
		b.t.Fatal(err)
	}
	a.setLab(l, 0)
	held, _, err := acquire(b.t.Context(), b.pool, "bench-1", holder, timings, time.Now)
	if err != nil || held == nil {
		b.t.Fatalf("lease %v, %v", held, err)
	}
	r := newRig(a, held)
	b.t.Cleanup(func() {
		r.close()
		if err := held.release(context.Background()); err != nil {
			b.t.Error(err)
		}
	})
	return r
}

// makeSafe drives bench-1 to its safe state. Since returns how long after the start of
// that an instrument was told something, as the journal has it.
func (b *testBed) makeSafe(r *rig) (report SafetyReport, since func(instrument, kind string) time.Duration) {
	b.t.Helper()
	if err := r.lease.renew(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
	n, start := len(b.journal.entries(b.t)), time.Now()
	report = r.makeSafe(b.t.Context())
	return report, func(instrument, kind string) (took time.Duration) {
		b.t.Helper()
		within(b.t, 5*time.Second, instrument+" "+kind, func() bool { // the wire takes its time
			found := b.journal.since(b.t, n, instrument, kind)
			if len(found) > 0 {
				took = found[0].Time.Sub(start)
			}
			return len(found) > 0
		})
		return took
	}
}

// A generator that takes commands and answers nothing is off in time all the same: on
// the connection that it has, whether or not that is in step, and without any. It is
// not confirmed, so that the alarm stays.
func TestSilentGeneratorIsSwitchedOff(t *testing.T) {
	for name, before := range map[string]func(*testing.T, *rig, *generator.Generator){
		"in step": func(*testing.T, *rig, *generator.Generator) {},
		"suspect": func(t *testing.T, _ *rig, g *generator.Generator) {
			if err := g.Set(t.Context(), 3.5e9, -20); err == nil {
				t.Error("a silent generator confirmed its settings")
			}
		},
		"not connected": func(t *testing.T, r *rig, _ *generator.Generator) {
			l, err := r.reach("bench-1-generator")
			if err != nil {
				t.Fatal(err)
			}
			l.close()
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newTestBed(t, 1, nil)
			r := b.rigOf("by hand")
			g, err := instrumentOf[*generator.Generator](t.Context(), r, "bench-1-generator")
			if err == nil {
				err = g.Set(t.Context(), 3.5e9, -20)
			}
			if err == nil {
				err = g.On(t.Context())
			}
			if err != nil {
				t.Fatal(err)
			}
			b.inject("bench-1-generator", sim.Silent)
			before(t, r, g)
			if _, level, err := b.lab.GeneratorOutput("bench-1"); err != nil || level < -25 {
				t.Fatalf("the generator gives %s, %v; it should be on", level, err)
			}
			report, since := b.makeSafe(r)
			if took := since("bench-1-generator", "output off"); took > offWithin {
				t.Errorf("off after %s, want %s", took, offWithin)
			}
			if err := report.Err(); err == nil || !strings.Contains(err.Error(), "generator output off") || !strings.Contains(err.Error(), "sent once more without waiting") {
				t.Errorf("report %v, want the generator not confirmed", err)
			}
			if _, level, err := b.lab.GeneratorOutput("bench-1"); err != nil || level > -100 {
				t.Errorf("the generator gives %s, %v", level, err)
			}
			b.inject("bench-1-generator", sim.None)
			if report, _ := b.makeSafe(r); report.Err() != nil {
				t.Errorf("it answers again: %v", report.Err())
			}
		})
	}
}

// A unit on the air that answers nothing any more is told to stop in time, and so is
// its supply, which is silent too.
func TestSilentUnitOnTheAirIsSwitchedOff(t *testing.T) {
	b := newTestBed(t, 1, nil)
	r := b.rigOf("by hand")
	bench, err := r.bench()
	if err == nil {
		_, err = r.power(t.Context(), bench)
	}
	if err != nil {
		t.Fatal(err)
	}
	u, err := instrumentOf[*radiounit.RadioUnit](t.Context(), r, "T4-0001")
	if err != nil {
		t.Fatal(err)
	}
	carrier := radiounit.Carrier{Center: 3550e6, Bandwidth: 100e6, SCS: 30e3, Power: 37, TestModel: "NR-FR1-TM1.1", Duplex: "TDD"}
	for i, step := range []func(context.Context) error{
		u.StopTimer, func(ctx context.Context) error { return u.Configure(ctx, carrier) }, u.ResetSynthesizer, u.Calibrate, u.StartTimer, u.Transmit,
	} {
		if err := step(t.Context()); err != nil {
			t.Fatalf("step %d: %v", i+1, err)
		}
	}
	if on := b.lab.Transmitting(); !slices.Equal(on, []string{"T4-0001"}) {
		t.Fatalf("on the air: %q", on)
	}
	b.inject("bench-1-supply", sim.Silent)
	b.inject("T4-0001", sim.Silent)
	report, since := b.makeSafe(r)
	if took := since("T4-0001", "transmit off"); took > offWithin {
		t.Errorf("off after %s, want %s", took, offWithin)
	}
	since("bench-1-supply", "output off")
	if on := b.lab.Transmitting(); len(on) > 0 {
		t.Errorf("%q on the air", on)
	}
	for _, want := range []string{"T4-0001 transmitter off", "supply output off", "sent once more without waiting"} {
		if err := report.Err(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("report %v, want %q in it", err, want)
		}
	}
}
