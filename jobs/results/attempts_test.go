package results

import (
	"errors"
	"reflect"
	"testing"

	"benchyard/jobs/conformance"
)

// A case that failed and passed when it was measured again: the run passes, its first
// pass does not, and both attempts stay with their figures.
func TestCaseMeasuredAgain(t *testing.T) {
	s := newStore(t)
	campaign := s.campaign("2.4.0", "full", true)
	failed, passed, plain := caseOf("a", 1, "6.2", -1), caseOf("a", 1, "6.2", 1), caseOf("b", 2, "6.2", 2)
	failed.Superseded, passed.Attempt = true, 2
	run := s.run(campaign, "T4-0001", "RU-T4", 1, 2)
	if got := s.finish(run, "done", failed, passed, plain); got != conformance.Pass {
		t.Errorf("verdict %q, want pass: the last attempt decides", got)
	}
	var first string
	s.row(&first, "SELECT first_verdict FROM run WHERE id = $1", run)
	if first != "fail" {
		t.Errorf("first verdict %q, want fail", first)
	}
	if got, want := s.rollups(run), []string{"6.2 pass 2/2/0/0 1 dBm"}; !reflect.DeepEqual(got, want) {
		t.Errorf("rollups %q, want %q", got, want)
	}
	cases, err := RunCases(t.Context(), s.pool, run)
	if err != nil || len(cases) != 3 || cases[0].Attempt != 1 || !cases[0].Superseded || cases[1].Attempt != 2 || cases[1].Superseded ||
		cases[0].Verdict != conformance.Fail || cases[1].Verdict != conformance.Pass || len(cases[0].Results) != 1 || cases[0].Results[0].Margin != -1 {
		t.Errorf("cases %+v, %v", cases, err)
	}
	yields, err := Yield(t.Context(), s.pool, true)
	if err != nil {
		t.Fatal(err)
	}
	checkYield(t, yields, []BuildYield{{Build: "2.4.0", UnitType: "RU-T4", Simulated: true, Units: 1, FirstPass: 0, Final: 1}})
	worst, err := WorstByClause(t.Context(), s.pool, campaign)
	if err != nil || len(worst) != 1 || worst[0].Failed != 0 || worst[0].Margin != 1 {
		t.Errorf("worst of the last attempts %+v, %v", worst, err)
	}
}

// An attempt is stored once, and a case has one attempt that counts.
func TestAttemptsAreStoredOnce(t *testing.T) {
	s := newStore(t)
	run := s.run(s.campaign("2.4.0", "full", true), "T4-0001", "RU-T4", 1, 1)
	first := caseOf("a", 1, "6.2", -1)
	first.Superseded = true
	if err := s.insert(run, first); err != nil {
		t.Fatal(err)
	}
	if err := s.insert(run, first); !errors.Is(err, ErrDuplicate) {
		t.Errorf("the same attempt again: %v, want ErrDuplicate", err)
	}
	second := caseOf("a", 1, "6.2", 1)
	second.Attempt = 2
	if err := s.insert(run, second); err != nil {
		t.Errorf("the next attempt: %v", err)
	}
	third := second
	third.Attempt = 3
	if err := s.insert(run, third); !errors.Is(err, ErrDuplicate) {
		t.Errorf("another one that counts: %v, want ErrDuplicate", err)
	}
}
