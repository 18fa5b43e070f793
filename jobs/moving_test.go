package jobs

import (
	"strings"
	"testing"
	"time"

	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
)

// elsewhereNow returns the inventory with everything of bench-1 under another name, as
// if its units and their cables had been carried to a bench that is like it.
func (b *testBed) elsewhereNow() []byte {
	return []byte(strings.NewReplacer("bench: bench-1\n", "bench: bench-9\n", "bench: bench-1,", "bench: bench-9,", "{name: bench-1,", "{name: bench-9,").
		Replace(string(b.lab.Inventory())))
}

// A run that has begun goes on where its unit is mounted now if its plan allows it, by
// the inventory of that place; otherwise it stays where it was.
func TestRunFollowsItsUnit(t *testing.T) {
	for _, resume := range []string{"any bench", "same bench"} {
		t.Run(resume, func(t *testing.T) {
			t.Parallel() // they wait more than they work
			b := newTestBed(t, 1, slow)
			a, id := b.midRun(longPlan + "resume: " + resume + "\n")
			b.stop(a)
			kept := b.stored(id)
			if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", b.elsewhereNow(), "ann"); err != nil {
				t.Fatal(err)
			}
			b.start("b", nil)
			if resume == "same bench" {
				within(t, time.Minute, "bench-9 at rest", func() bool { return b.bench("bench-9").Activity == Idle })
				if r := run(t, b.pool, id); r.Bench != "bench-1" || r.State != Active {
					t.Errorf("run %+v, want it where it was", r)
				}
				return
			}
			r := b.await(id)
			if r.Bench != "bench-9" || r.Verdict != conformance.Pass || r.CasesDone != 12 {
				t.Errorf("run %+v", r)
			}
			if n := b.count(`SELECT count(*) FROM run_segment WHERE run_id = $1 AND attempts <> 1`, id); n != 0 {
				t.Errorf("%d segments were measured more than once", n)
			}
			// Each segment names the inventory that it was measured by.
			if n := b.count(`SELECT count(*) FROM run_segment s JOIN run r ON r.id = run_id WHERE run_id = $1 AND s.lab_id IS NULL`, id); n != kept {
				t.Errorf("%d segments by the inventory of the campaign, want %d", n, kept)
			}
			b.mustBeClean()
		})
	}
}
