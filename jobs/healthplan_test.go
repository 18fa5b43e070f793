package jobs

import (
	"os"
	"slices"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
)

// All tests of the plan for people on a unit that has to be tuned by hand. Tracking
// takes the image from 42 to 48 dB down to 60 to 66 with a time constant of 2 s: it
// is within 1 dB of its end after less than the 9.2 s in which it converges.
func TestHealthPlan(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) {
		c.Types = slices.Clone(c.Types)
		for i := range c.Types {
			c.Types[i].SelfTuning = false
		}
	})
	b.start("agent", nil)
	run := b.await(b.submit(readPlan(t, "../testdata/plans/good/transceiver-health.yaml"), "T4-0001")["T4-0001"])
	figures, err := results.Figures(t.Context(), b.pool, results.Filter{Run: run.ID})
	if err != nil {
		t.Fatal(err)
	}
	values := map[string]float64{}
	for _, f := range figures {
		values[f.Result.Requirement.Key] = f.Result.Value
		t.Logf("%s %.3f %s +-%.3f %s", f.Result.Requirement.Key, f.Result.Value, f.Result.Requirement.Unit, f.Result.Uncertainty, f.Result.Verdict)
	}
	if run.State != Done || run.Verdict != conformance.Pass {
		t.Errorf("the run ended %s, verdict %q, %s", run.State, run.Verdict, run.Error)
	}
	for key, bounds := range map[string][2]rf.DB{
		"health.tone/before/image": {-49, -41}, "health.tone/after/image": {-67, -59.5},
		"health.tone/settling": {1, 12}, "health.linearity/slope": {0.97, 1.01},
	} {
		if v := rf.DB(values[key]); !(v >= bounds[0] && v <= bounds[1]) {
			t.Errorf("%s is %.2f, want %g to %g", key, float64(v), float64(bounds[0]), float64(bounds[1]))
		}
	}
	b.mustBeClean()
}

func readPlan(t *testing.T, file string) string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
