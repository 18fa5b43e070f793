package jobs

import (
	"bytes"
	"strings"
	"testing"

	"benchyard/jobs/results"
)

// Figures that no store can hold are an error of their run. They neither keep
// the judgement open for ever nor hold up the runs beside them.
func TestFiguresThatCannotBeStored(t *testing.T) {
	m := newMeasuredLab(t)
	broken, good := m.runs["T4-0001"], m.runs["F2-0001"] // medium-range in n78, wide-area in n1
	const typo = "limits: typo/1\nbase: ts-38.141-1/2026-11\ncores:\n  - {clause: \"6.6.3\", figure: licensed bands, value: 1e300, source: typo}\n  - {clause: \"6.6.3\", figure: medium-range, value: -1e300, source: typo}\n"
	for name, c := range map[string]struct {
		ask         Rejudge
		store, says string
		errors      int // of the two runs
	}{
		"a margin beyond all numbers": {Rejudge{All: true, LimitsFile: "typo.yaml", LimitsDocument: []byte(typo)}, "", "6.6.3/lower/1", 2},
		"a constraint of the store":   {Rejudge{All: true}, "requirement_key <> '6.2' OR value > 40", "no_37_dbm", 1},
	} {
		t.Run(name, func(t *testing.T) {
			if c.store != "" {
				mustExec(t, m.pool, "ALTER TABLE judgement_measurement ADD CONSTRAINT no_37_dbm CHECK ("+c.store+")")
				defer mustExec(t, m.pool, "ALTER TABLE judgement_measurement DROP CONSTRAINT no_37_dbm")
			}
			j := m.again(c.ask)
			if j.State != "done" || j.Done != 2-c.errors || j.Errors != c.errors {
				t.Fatalf("%+v", j)
			}
			runs, err := results.JudgementRuns(t.Context(), m.pool, j.ID)
			if err != nil || c.errors == 1 && runs[0].Run != broken || !strings.Contains(runs[0].Error, c.says) || runs[0].After != "" || (runs[1].State == "done") != (c.errors == 1) {
				t.Errorf("%+v, %v; want %q", runs, err, c.says)
			}
			if half := m.verdictsAgain(j.ID, broken); string(half) != "null" {
				t.Errorf("half stored: %s", half)
			}
			if whole := m.verdictsAgain(j.ID, good); c.errors == 1 && !bytes.Equal(whole, m.verdicts(good)) {
				t.Error("the sound run differs")
			}
		})
	}
}
