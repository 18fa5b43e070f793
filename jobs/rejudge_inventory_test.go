package jobs

import (
	"bytes"
	"strings"
	"testing"

	"benchyard/jobs/results"

	"github.com/google/uuid"
)

// A stored inventory that this program cannot read is an error of the runs that
// were measured with it; it neither holds up the judgement nor the runs beside
// them.
func TestInventoryThatCannotBeRead(t *testing.T) {
	m := newMeasuredLab(t)
	broken, good := m.runs["T4-0001"], m.runs["F2-0001"]
	m.measuredWithAnother(t, broken, "lab: old\nbenches: {")
	j := m.again(Rejudge{All: true})
	if j.State != "done" || j.Done != 1 || j.Errors != 1 {
		t.Fatalf("%+v", j)
	}
	runs, err := results.JudgementRuns(t.Context(), m.pool, j.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range runs {
		switch r.Run {
		case broken:
			if r.State != "error" || !strings.Contains(r.Error, "the stored inventory: lab: reading the inventory: lab version") {
				t.Errorf("%+v", r)
			}
		case good:
			if r.State != "done" || !bytes.Equal(m.verdictsAgain(j.ID, good), m.verdicts(good)) {
				t.Errorf("%+v; want the verdicts of the measurement", r)
			}
		}
	}
}

// An inventory whose corrections were asked for, and that can no longer be read,
// ends the judgement with that reason.
func TestCorrectionsThatCannotBeRead(t *testing.T) {
	m := newMeasuredLab(t)
	good := m.runs["F2-0001"]
	version := m.measuredWithAnother(t, m.runs["T4-0001"], string(m.lab.Inventory())+"\n# another\n")
	j, err := AskJudgement(t.Context(), m.pool, Rejudge{Runs: []uuid.UUID{good}, LabVersion: version, Reason: "r", By: "ann"})
	if err != nil {
		t.Fatal(err)
	}
	mustExec(t, m.pool, `UPDATE lab_version SET document = 'benches: {', decoded = NULL WHERE name = 'another'`)
	if j = m.work(j.ID); j.State != "error" || !strings.Contains(j.Error, "cannot read the inventory whose corrections count: lab: reading the inventory") {
		t.Errorf("%+v", j)
	}
}

// measuredWithAnother puts a run under a campaign of its own, measured with
// another version of the inventory.
func (m *measuredLab) measuredWithAnother(t *testing.T, run uuid.UUID, document string) (version int64) {
	t.Helper()
	err := m.pool.QueryRow(t.Context(), `
		INSERT INTO lab_version (name, simulated, content_hash, document, applied_by, applied_at)
		VALUES ('another', true, 'another', $1, 'ann', now() - interval '1 hour') RETURNING id`, document).Scan(&version)
	if err != nil {
		t.Fatal(err)
	}
	campaign := uuid.Must(uuid.NewV7())
	mustExec(t, m.pool, `
		INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by)
		SELECT $1, 'another', c.plan_id, $2, c.build, c.simulated, c.limit_set, 'ann' FROM run r JOIN campaign c ON c.id = r.campaign_id WHERE r.id = $3`,
		campaign, version, run)
	mustExec(t, m.pool, `UPDATE run SET campaign_id = $1 WHERE id = $2`, campaign, run)
	return version
}
