package jobs

import (
	"bytes"
	"testing"

	"benchyard/jobs/conformance"

	"github.com/google/uuid"
)

// Runs of several carriers at once are judged again to the last byte, too.
func TestSeveralCarriersAreJudgedAgain(t *testing.T) {
	b := newTestBed(t, 1, nil)
	m := &measuredLab{b, b.submit(configurationPlan, "T4-0002")}
	a := b.start("a", nil)
	run := b.await(m.runs["T4-0002"])
	b.stop(a)
	if run.Verdict != conformance.Pass {
		t.Fatalf("%+v", run)
	}
	j := m.again(Rejudge{Runs: []uuid.UUID{run.ID}})
	if j.Done != 1 || j.Changed != 0 || !bytes.Equal(m.verdicts(run.ID), m.verdictsAgain(j.ID, run.ID)) {
		t.Errorf("%+v", j)
	}
	shifts := m.again(Rejudge{Runs: []uuid.UUID{run.ID}, LabFile: "other.yaml", LabDocument: shifted(t, string(b.lab.Inventory()), 0.25)})
	if shifts.Done != 1 || shifts.Changed == 0 || shifts.VerdictsChanged != 0 {
		t.Errorf("%+v", shifts)
	}
}
