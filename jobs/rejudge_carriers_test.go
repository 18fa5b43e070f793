package jobs

import (
	"bytes"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"

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

// So are those of several carriers with the noise floor taken out of each figure.
func TestSeveralCarriersWithFloorsAreJudgedAgain(t *testing.T) {
	b := newTestBed(t, 1, deaf)
	m := &measuredLab{b, b.submit("noise_floor: correct\n"+configurationPlan+
		"  - {clause: 6.6.4, rf_channels: [M], connectors: [2], configurations: [wide-gap]}\n", "T4-0002")}
	a := b.start("a", nil)
	run := b.await(m.runs["T4-0002"])
	b.stop(a)
	if run.State != Done || run.CasesDone != 4 {
		t.Fatalf("%+v", run)
	}
	cases, err := results.RunCases(t.Context(), b.pool, run.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		for _, r := range c.Results {
			if !strings.Contains(r.Note, "noise floor ") {
				t.Errorf("%s: %q", r.Requirement.Key, r.Note)
			}
		}
	}
	j := m.again(Rejudge{Runs: []uuid.UUID{run.ID}})
	if j.Done != 1 || j.Changed != 0 || !bytes.Equal(m.verdicts(run.ID), m.verdictsAgain(j.ID, run.ID)) {
		t.Errorf("%+v", j)
	}
}
