package jobs

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
)

// threeSlots is a bench with three units behind a switch matrix of known isolation.
func threeSlots(speed float64, isolation rf.DB) func(*sim.Config) {
	return func(c *sim.Config) {
		c.Speed, c.Benches[0].Isolation = speed, isolation
		c.Units = slices.DeleteFunc(sim.Demo(1).Units, func(u sim.UnitConfig) bool { return u.Bench != "bench-1" || u.Slot > 3 })
	}
}

// warmPlan measures one connector after a warm-up of so many seconds.
func warmPlan(seconds float64) string {
	return fmt.Sprintf(`plan: warm
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
warm_up: {minimum: %gs, limit: 5m, slope: 0.3dB, interval: 100ms, temperature_slope: 1000 K/min}
tests:
  - {clause: 6.2, rf_channels: [M]}
`, seconds)
}

// The next units are on the air, into their terminations, before their turn; none is
// tuned again when it comes, and each run has the steps and the words of its preparation.
func TestUnitsArePreparedAhead(t *testing.T) {
	b := newTestBed(t, 1, threeSlots(20, 100))
	serials := []string{"T4-0001", "T4-0002", "T4-0003"}
	runs := b.submit(warmPlan(1), serials...)
	b.start("a", nil)
	for _, s := range serials {
		if r := b.await(runs[s]); r.Verdict != conformance.Pass {
			t.Errorf("%s: %+v", s, r)
		}
	}
	for i, s := range serials {
		steps, err := StepsOf(t.Context(), b.pool, runs[s])
		if err != nil {
			t.Fatal(err)
		}
		counts := map[string]int{}
		for _, step := range steps {
			counts[step.Name]++
		}
		if settles := min(1, i); counts["initial calibration"] != 1 || counts["settle"] != 1-settles || counts["DC on"] != 1-settles {
			t.Errorf("%s: steps %v", s, counts)
		}
		if i > 0 && b.count(`SELECT count(*) FROM transcript WHERE run_id = $1 AND segment = 1`, runs[s]) != 1 {
			t.Errorf("%s: no transcript", s)
		}
	}
	b.mustBeClean()
}

// Without a figure for the isolation, or with one that does not keep what leaks below
// the limits, no unit transmits before its turn; its build is loaded all the same.
func TestNothingTransmitsAheadWithoutIsolation(t *testing.T) {
	for _, isolation := range []rf.DB{0, 40} {
		t.Run(isolation.String(), func(t *testing.T) {
			b := newTestBed(t, 1, threeSlots(20, isolation))
			id := b.submitWith(Submission{PlanDocument: []byte(warmPlan(1)), Serials: []string{"T4-0001", "T4-0002"}, Build: "2.5.0"})
			b.start("a", nil)
			within(t, time.Minute, "the reason", func() bool {
				return strings.Contains(run(t, b.pool, id["T4-0002"]).Blocked, "waits muted")
			})
			if on := b.lab.Transmitting(); slices.Contains(on, "T4-0002") {
				t.Errorf("on the air: %q", on)
			}
			if n := len(b.journal.since(t, 0, "T4-0002", "build")); n == 0 {
				t.Error("the build was not loaded")
			}
			if _, err := Cancel(t.Context(), b.pool, id["T4-0001"], "ann"); err != nil {
				t.Fatal(err)
			}
			if r := b.await(id["T4-0002"]); r.Verdict != conformance.Pass {
				t.Errorf("run %+v", r)
			}
			b.mustBeClean()
		})
	}
}

// A supply that may not stand another unit on the air keeps it from transmitting ahead,
// and one that was touched while it waited is brought up from the beginning.
func TestDoubtLeadsToTheWholeBringUp(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) {
		threeSlots(20, 100)(c)
		c.Benches[0].Supply.MaxAmps = 6 // 40 W of each unit and 57 W of the one on the air take 3.7 A of 48 V
	})
	runs := b.submit(warmPlan(1), "T4-0001", "T4-0002")
	b.start("a", nil)
	within(t, time.Minute, "the reason", func() bool {
		return strings.Contains(run(t, b.pool, runs["T4-0002"]).Blocked, "may have to give")
	})
	for _, id := range runs {
		if r := b.await(id); r.Verdict != conformance.Pass {
			t.Errorf("run %+v", r)
		}
	}
	b.mustBeClean()

	b = newTestBed(t, 1, threeSlots(20, 100))
	b.submit(strings.Replace(warmPlan(2), "[M]", "[B, M, T]", 1), "T4-0001") // long enough to be waited for
	b.start("a", nil)
	id := b.submit(warmPlan(1), "T4-0002")["T4-0002"]
	within(t, time.Minute, "a unit that is prepared", func() bool {
		return strings.Contains(run(t, b.pool, id).Blocked, "on the air into its terminations")
	})
	b.tell("T4-0002", "*RST")
	if r := b.await(id); r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT count(*) FROM run_step WHERE run_id = $1 AND name = 'initial calibration'`, id); n != 2 {
		t.Errorf("calibrated %d times, want once ahead and once more", n)
	}
	b.mustBeClean()
}
