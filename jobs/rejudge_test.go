package jobs

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
)

// measuredLab is a lab in which both demo types were measured once in every clause.
type measuredLab struct {
	*testBed
	runs map[string]uuid.UUID
}

func newMeasuredLab(tb testing.TB) *measuredLab {
	tb.Helper()
	b := newTestBed(tb, 1, func(c *sim.Config) {
		c.Units = slices.DeleteFunc(sim.Demo(1).Units, func(u sim.UnitConfig) bool { return u.Bench != "bench-1" || u.Slot%4 != 1 })
		c.Speed = 2000
	})
	m := &measuredLab{b, b.submit(everyClause)}
	a := b.start("a", nil)
	for serial, id := range m.runs {
		if r := b.await(id); r.Verdict != conformance.Pass {
			tb.Fatalf("%s: %+v", serial, r)
		}
	}
	b.stop(a)
	return m
}

// again asks, judges in this process and returns the judgement.
func (m *measuredLab) again(ask Rejudge) results.Judgement {
	m.t.Helper()
	ask.By, ask.Program = "ann", "test"
	if ask.Reason == "" {
		ask.Reason = "to compare"
	}
	j, err := AskJudgement(m.t.Context(), m.pool, ask)
	if err != nil {
		m.t.Fatal(err)
	}
	return m.work(j.ID)
}

func (m *measuredLab) work(id uuid.UUID) results.Judgement {
	m.t.Helper()
	if err := WorkJudgement(m.t.Context(), m.pool, nil, id, "test", testLogger(m.t)); err != nil {
		m.t.Fatal(err)
	}
	return judgement(m.t, m.pool, id)
}

func judgement(tb testing.TB, pool *pgxpool.Pool, id uuid.UUID) results.Judgement {
	tb.Helper()
	j, err := results.JudgementByID(context.Background(), pool, id)
	if err != nil {
		tb.Fatal(err)
	}
	return j
}

// verdicts is the canonical JSON of every figure of a run as it was measured.
func (m *measuredLab) verdicts(run uuid.UUID) []byte {
	m.t.Helper()
	cases, err := results.RunCases(m.t.Context(), m.pool, run)
	if err != nil {
		m.t.Fatal(err)
	}
	list := make([]results.Rejudged, len(cases))
	for i, c := range cases {
		list[i] = results.Rejudged{Case: c.ID, Results: c.Results}
	}
	return m.canonical(list)
}

func (m *measuredLab) verdictsAgain(j, run uuid.UUID) []byte {
	m.t.Helper()
	list, err := results.JudgedAgain(m.t.Context(), m.pool, j, run)
	if err != nil {
		m.t.Fatal(err)
	}
	return m.canonical(list)
}

func (m *measuredLab) canonical(list []results.Rejudged) []byte {
	m.t.Helper()
	for _, c := range list {
		slices.SortFunc(c.Results, func(a, b conformance.Result) int { return strings.Compare(a.Requirement.Key, b.Requirement.Key) })
	}
	text, err := json.Marshal(list)
	if err != nil {
		m.t.Fatal(err)
	}
	return text
}

// The same limits, rule and corrections give the same verdicts to the last byte,
// and what was measured is not touched.
func TestJudgingAgainChangesNothingByItself(t *testing.T) {
	m := newMeasuredLab(t)
	before := map[uuid.UUID][]byte{}
	for _, run := range m.runs {
		before[run] = m.verdicts(run)
	}
	j := m.again(Rejudge{All: true})
	if j.State != "done" || j.Runs != 2 || j.Done != 2 || j.Errors != 0 || j.Changed != 0 || j.RunsChanged != 0 || j.TracesDone != j.Traces || j.Traces < 20 {
		t.Errorf("%+v", j)
	}
	if j.LimitSet != conformance.LimitSet() || j.AskedBy != "ann" || j.Reason != "to compare" || j.Rule != nil {
		t.Errorf("%+v", j)
	}
	for serial, run := range m.runs {
		if again := m.verdictsAgain(j.ID, run); !bytes.Equal(again, before[run]) || len(again) < 1000 {
			t.Errorf("%s: judged again\n%s\nwas\n%s", serial, again, before[run])
		}
		if now := m.verdicts(run); !bytes.Equal(now, before[run]) {
			t.Errorf("%s: the first verdicts were changed", serial)
		}
	}
	if again := m.work(j.ID); again.Figures != j.Figures || !again.FinishedAt.Equal(*j.FinishedAt) {
		t.Errorf("worked on twice: %+v", again)
	}
}

// A guard band turns passes that come near into conditional ones, where other
// corrections bring a figure within half of its uncertainty; the table says which.
func TestAnotherRule(t *testing.T) {
	m := newMeasuredLab(t)
	var shift float64
	err := m.pool.QueryRow(t.Context(), `SELECT min(x.upper_limit - x.value - x.uncertainty / 2) FROM measurement x JOIN measured_case c ON c.id = x.case_id
		WHERE c.run_id = $1 AND x.unit = 'dBm'`, m.runs["T4-0001"]).Scan(&shift)
	if err != nil {
		t.Fatal(err)
	}
	other := shifted(t, string(m.lab.Inventory()), shift)
	ask := Rejudge{Runs: []uuid.UUID{m.runs["T4-0001"]}, LabFile: "other.yaml", LabDocument: other}
	if j := m.again(ask); j.VerdictsChanged != 0 || j.RunsChanged != 0 || j.Changed == 0 {
		t.Errorf("by the rule of the plan: %+v", j)
	}
	ask.Rule = &conformance.DecisionRule{Name: conformance.GuardedNonBinary, GuardBandFactor: 1}
	j := m.again(ask)
	if j.Done != 1 || j.VerdictsChanged == 0 || j.RunsChanged != 1 || j.Rule == nil || *j.Rule != *ask.Rule {
		t.Fatalf("%+v", j)
	}
	changes, err := results.ChangesOf(t.Context(), m.pool, j.ID, true, 0)
	if err != nil || len(changes) != j.VerdictsChanged {
		t.Fatalf("%d changes, %v; want %d", len(changes), err, j.VerdictsChanged)
	}
	for _, c := range changes {
		if c.Serial != "T4-0001" || c.Before.Verdict != conformance.Pass || c.After.Verdict != conformance.ConditionalPass || !c.VerdictChanged ||
			*c.After.Margin < 0 || *c.After.Margin > *c.Before.Margin {
			t.Errorf("%+v", c)
		}
	}
	runs, err := results.JudgementRuns(t.Context(), m.pool, j.ID)
	if err != nil || len(runs) != 1 || runs[0].Before != conformance.Pass || runs[0].After != conformance.ConditionalPass {
		t.Errorf("%+v, %v", runs, err)
	}
}

// Corrections of another inventory move every level by what they differ. The
// inventory in force stays in force.
func TestOtherCorrections(t *testing.T) {
	m := newMeasuredLab(t)
	_, inForce, err := lab.Load(t.Context(), m.pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	other := shifted(t, string(m.lab.Inventory()), 1.5)
	j := m.again(Rejudge{Runs: []uuid.UUID{m.runs["T4-0001"]}, LabFile: "other.yaml", LabDocument: other})
	m.holdShift(j, 1.5)
	if _, now, err := lab.Load(t.Context(), m.pool, 0); err != nil || now != inForce {
		t.Errorf("inventory %d in force, %v; want %d", now, err, inForce)
	}
	version, _, err := lab.Apply(t.Context(), m.pool, "other.yaml", other, "ann")
	if err != nil {
		t.Fatal(err)
	}
	m.holdShift(m.again(Rejudge{Runs: []uuid.UUID{m.runs["T4-0001"]}, LabVersion: version}), 1.5)
}

// holdShift checks that levels moved by db and ratios and bandwidths did not.
func (m *measuredLab) holdShift(j results.Judgement, db float64) {
	m.t.Helper()
	changes, err := results.ChangesOf(m.t.Context(), m.pool, j.ID, false, 0)
	if err != nil || len(changes) == 0 || j.Done != 1 || j.Changed != len(changes) {
		m.t.Fatalf("%d changes, %v: %+v", len(changes), err, j)
	}
	seen := map[string]bool{}
	for _, c := range changes {
		seen[c.Clause] = true
		if moved := *c.After.Value - *c.Before.Value; c.Unit == "dBm" && !near(moved, db, 1e-6) {
			m.t.Errorf("%s %s moved by %g dB, want %g", c.Serial, c.Key, moved, db)
		} else if c.Unit != "dBm" && !near(moved, 0, 1e-6) {
			m.t.Errorf("%s %s moved by %g %s, want 0", c.Serial, c.Key, moved, c.Unit)
		}
	}
	if !seen["6.2"] || !seen["6.6.4"] || !seen["6.6.5"] {
		m.t.Errorf("clauses changed: %v", seen)
	}
}

func near(a, b, within float64) bool { return a-b <= within && b-a <= within }

// A run whose evidence is gone or damaged is reported, the others go on, and
// nothing of the broken one is stored.
func TestBrokenEvidenceIsReported(t *testing.T) {
	m := newMeasuredLab(t)
	broken, good := m.runs["T4-0001"], m.runs["F2-0001"]
	for name, c := range map[string]struct{ damage, says string }{
		"flipped bit":    {`UPDATE trace SET levels = set_byte(levels, length(levels) - 1, get_byte(levels, length(levels) - 1) # 1) `, "damaged"},
		"thinned":        {`UPDATE trace SET levels = NULL `, "thinned"},
		"no zstd":        {`UPDATE trace SET levels = '\x00'::bytea `, "damaged"},
		"points":         {`UPDATE trace SET points = points + 1 `, "damaged"},
		"settings":       {`UPDATE trace SET settings = '[]' `, "damaged"},
		"wrong role":     {`UPDATE trace SET role = 'another' `, "there is no trace"},
		"traces missing": {`DELETE FROM trace `, "missing"},
	} {
		t.Run(name, func(t *testing.T) {
			restore := m.keep(t, broken)
			defer restore()
			mustExec(t, m.pool, c.damage+`WHERE case_id = (SELECT max(id) FROM measured_case WHERE run_id = $1)`, broken)
			j := m.again(Rejudge{All: true})
			if j.State != "done" || j.Done != 1 || j.Errors != 1 {
				t.Fatalf("%+v", j)
			}
			runs, err := results.JudgementRuns(t.Context(), m.pool, j.ID)
			if err != nil || runs[0].Run != broken || !strings.Contains(runs[0].Error, c.says) || runs[0].After != "" || runs[1].State != "done" {
				t.Errorf("%+v, %v; want %q", runs, err, c.says)
			}
			if half := m.verdictsAgain(j.ID, broken); string(half) != "null" {
				t.Errorf("half stored: %s", half)
			}
			if whole := m.verdictsAgain(j.ID, good); !bytes.Equal(whole, m.verdicts(good)) {
				t.Errorf("the sound run differs")
			}
		})
	}
}

// keep returns how the traces of a run are put back.
func (m *measuredLab) keep(t *testing.T, run uuid.UUID) (restore func()) {
	t.Helper()
	mustExec(t, m.pool, `CREATE TABLE kept AS SELECT t.* FROM trace t JOIN measured_case c ON c.id = t.case_id WHERE c.run_id = $1`, run)
	return func() {
		mustExec(t, m.pool, `DELETE FROM trace WHERE case_id IN (SELECT case_id FROM kept)`)
		mustExec(t, m.pool, `INSERT INTO trace SELECT * FROM kept`)
		mustExec(t, m.pool, `DROP TABLE kept`)
	}
}

func TestRequestsThatMakeNoSense(t *testing.T) {
	m := newMeasuredLab(t)
	measured := m.runs["T4-0001"]
	open := m.submit(powerPlan, "T4-0001")["T4-0001"]
	unknown := newID(t)
	for name, c := range map[string]struct {
		ask  Rejudge
		says string
	}{
		"nothing chosen":    {Rejudge{Reason: "r"}, "name runs"},
		"two ways":          {Rejudge{Reason: "r", Runs: []uuid.UUID{measured}, All: true}, "name runs"},
		"no end of reasons": {Rejudge{Reason: strings.Repeat("ü", 501), All: true}, "one line of up to 500 characters, not 501"},
		"two lines":         {Rejudge{Reason: "a\nb", All: true}, "one line"},
		"no reason":         {Rejudge{Reason: " ", Runs: []uuid.UUID{measured}}, "reason"},
		"unknown run":       {Rejudge{Reason: "r", Runs: []uuid.UUID{measured, unknown}}, unknown.String() + " is not known"},
		"open run":          {Rejudge{Reason: "r", Runs: []uuid.UUID{open}}, "is queued"},
		"unknown campaign":  {Rejudge{Reason: "r", Campaign: unknown}, "no run of the selection"},
		"rule":              {Rejudge{Reason: "r", All: true, Rule: &conformance.DecisionRule{Name: "lenient"}}, "lenient"},
		"guard band":        {Rejudge{Reason: "r", All: true, Rule: &conformance.DecisionRule{Name: conformance.Guarded}}, "guard band factor"},
		"lab version":       {Rejudge{Reason: "r", All: true, LabVersion: 99}, "inventory version 99"},
		"two corrections":   {Rejudge{Reason: "r", All: true, LabVersion: 1, LabFile: "x.yaml"}, "choose one"},
		"lab file":          {Rejudge{Reason: "r", All: true, LabFile: "x.yaml", LabDocument: []byte("lab: 3\n")}, "x.yaml:1"},
		"limits file":       {Rejudge{Reason: "r", All: true, LimitsFile: "l.yaml", LimitsDocument: []byte("nonsense: 3\n")}, "l.yaml:1"},
		"limits not a text": {Rejudge{Reason: "r", All: true, LimitsFile: "l.yaml", LimitsDocument: []byte{0, 0xff}}, "l.yaml"},
	} {
		c.ask.By = "ann"
		if _, err := AskJudgement(t.Context(), m.pool, c.ask); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", name, err, c.says)
		}
	}
	if n := m.count(`SELECT count(*) FROM judgement`); n != 0 {
		t.Errorf("%d judgements stored of refused requests", n)
	}
	var refused *NotJudgeableError
	if _, err := AskJudgement(t.Context(), m.pool, Rejudge{By: "ann", Reason: "r"}); !errors.As(err, &refused) || len(refused.Problems) != 1 {
		t.Errorf("%v is no NotJudgeableError", err)
	}
}

// A lab's own file over the limit set judges, and its name stands in the record.
func TestOtherLimits(t *testing.T) {
	m := newMeasuredLab(t)
	file := "limits: strict-lab/1\nbase: ts-38.141-1/2026-11\ncores:\n" +
		"  - {clause: \"6.2\", figure: normal, value: 0.001, source: order 12}\ntolerances:\n" +
		"  - {clause: \"6.2\", figure: output power, up_to: 7GHz, value: 0, source: order 12}\n"
	j := m.again(Rejudge{All: true, LimitsFile: "strict.yaml", LimitsDocument: []byte(file)})
	if j.Done != 2 || j.VerdictsChanged != 2 || j.RunsChanged != 2 || j.Failed != 2 || !strings.Contains(j.LimitSet, "strict-lab/1") || j.LimitsFile != "strict.yaml" {
		t.Errorf("%+v", j)
	}
	changes, err := results.ChangesOf(t.Context(), m.pool, j.ID, false, 0)
	if err != nil || len(changes) != 2 {
		t.Fatalf("%+v, %v", changes, err)
	}
	for _, c := range changes {
		if c.Key != "6.2" || c.After.Verdict != conformance.Fail || *c.After.Upper-*c.After.Lower > 0.01 || *c.Before.Upper-*c.After.Upper < 2 {
			t.Errorf("%+v", c)
		}
	}
	mustExec(t, m.pool, `UPDATE judgement SET state = 'queued', finished_at = NULL, limit_set = 'limits of another program'`)
	if again := m.work(j.ID); again.State != "done" { // nothing waits: nobody needs the limits
		t.Errorf("%+v", again)
	}
	mustExec(t, m.pool, `UPDATE judgement SET state = 'queued', finished_at = NULL`)
	mustExec(t, m.pool, `UPDATE judgement_run SET state = 'waiting', verdict = NULL, finished_at = NULL`)
	if again := m.work(j.ID); again.State != "error" || !strings.Contains(again.Error, "limits of another program") || again.Done != 0 {
		t.Errorf("%+v", again)
	}
}
