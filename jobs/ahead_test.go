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
			plan := strings.Replace(warmPlan(1), "6.2,", "6.6.4,", 1)
			plan = strings.Replace(plan, "rf_channels: [M]", "rf_channels: [M], connectors: [1]", 1)
			id := b.submitWith(Submission{PlanDocument: []byte(plan), Serials: []string{"T4-0001", "T4-0002"}, Build: "2.5.0"})
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
