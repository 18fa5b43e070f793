package jobs

import (
	"testing"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
	"benchyard/instruments/supply"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
)

// A unit that was restarted has run for less than the time since; one that was muted
// for long is cold. Neither counts as warm.
func TestUnitStaysWarm(t *testing.T) {
	was := warmth{Uptime: 1000, Celsius: 45}
	for name, c := range map[string]struct {
		now     warmth
		elapsed time.Duration
		want    bool
	}{
		"a minute later":              {warmth{Uptime: 1060, Celsius: 44.5}, time.Minute, true},
		"warmer":                      {warmth{Uptime: 1060, Celsius: 50}, time.Minute, true},
		"its clock is coarse":         {warmth{Uptime: 1059, Celsius: 45}, time.Minute, true},
		"restarted":                   {warmth{Uptime: 40, Celsius: 45}, time.Minute, false},
		"restarted, long ago":         {warmth{Uptime: 1500, Celsius: 45}, time.Hour, false},
		"its clock stood still":       {warmth{Uptime: 1000, Celsius: 45}, time.Minute, false},
		"cold":                        {warmth{Uptime: 1060, Celsius: 42.9}, time.Minute, false},
		"an hour later, slow crystal": {warmth{Uptime: 1000 + 3600 - 30, Celsius: 45}, time.Hour, true},
	} {
		if got := was.same(c.now, c.elapsed); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// Another agent goes on with a run whose unit has stayed up: nobody waits for it to
// warm up again. One whose supply was off in between is warmed up again.
func TestResumeWithoutASecondWarmUp(t *testing.T) {
	for name, c := range map[string]struct {
		off  bool
		want int
	}{"stayed up": {false, 1}, "was switched off": {true, 2}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // they wait more than they work
			b := newTestBed(t, 1, func(c *sim.Config) { c.Speed = 2 })
			id := b.submit(powerPlan+"warm_up: {minimum: 50ms, limit: 1m, slope: 0.5dB, interval: 50ms, temperature_slope: 10000K/min}\n", "T4-0001")["T4-0001"]
			a := b.start("a", nil)
			within(t, time.Minute, "the first stored segment", func() bool { return b.stored(id) >= 1 })
			b.stop(a)
			if c.off {
				b.switchOff("bench-1-supply")
			}
			b.start("b", nil)
			if r := b.await(id); r.Verdict != conformance.Pass || r.CasesDone != 4 {
				t.Errorf("run %+v", r)
			}
			if n := b.count(`SELECT count(*) FROM run_step WHERE run_id = $1 AND name = 'warm-up'`, id); n != c.want {
				t.Errorf("warmed up %d times, want %d", n, c.want)
			}
			b.mustBeClean()
		})
	}
}

// switchOff takes DC from a bench as a person would.
func (b *testBed) switchOff(name string) {
	b.t.Helper()
	l, err := lab.Parse("lab.yaml", b.lab.Inventory())
	if err != nil {
		b.t.Fatal(err)
	}
	i, err := Connect(b.t.Context(), l, name, scpi.Config{})
	if err != nil {
		b.t.Fatal(err)
	}
	defer i.Close()
	if err := i.Driver().(*supply.Supply).Off(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
}
