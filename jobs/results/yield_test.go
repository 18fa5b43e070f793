package results

import (
	"fmt"
	"reflect"
	"testing"

	"benchyard/jobs/statistics"
)

// The check values of metrology sheet 3.1: 184 of 200 at first pass is 0.92,
// 196 of 200 in the end is 0.98; here a tenth of it and more, with everything
// that must not count beside it.
func TestYield(t *testing.T) {
	s := newStore(t)
	campaign := s.campaign("2.4.0", "full", true)
	pass, fail, broken := caseOf("a", 1, "6.2", 1), caseOf("a", 1, "6.2", -1), caseOf("a", 1, "6.2")
	for i := range 25 { // 23 of 25 are 0.92
		serial := fmt.Sprintf("T4-%04d", i)
		first := pass
		if i < 2 {
			first = fail
		}
		s.finish(s.run(campaign, serial, "RU-T4", 1, 1), "done", first)
	}
	s.finish(s.run(campaign, "T4-0000", "RU-T4", 2, 1), "done", pass) // repaired: final only
	s.finish(s.run(campaign, "T4-0001", "RU-T4", 2, 1), "done", fail)
	s.finish(s.run(campaign, "T4-0002", "RU-T4", 2, 1), "error", broken) // no attempt: its pass stands
	s.finish(s.run(campaign, "T4-0003", "RU-T4", 2, 2), "cancelled", pass)

	s.finish(s.run(campaign, "T4-0100", "RU-T4", 1, 1), "error", broken) // the bench broke, not the unit:
	s.finish(s.run(campaign, "T4-0100", "RU-T4", 2, 1), "done", pass)    // its first attempt passed
	s.finish(s.run(campaign, "T4-0101", "RU-T4", 1, 1), "error", broken)
	s.run(campaign, "T4-0102", "RU-T4", 1, 1) // still in the queue

	s.finish(s.run(campaign, "F2-0001", "RU-F2", 1, 1), "done", pass)
	again := s.campaign("2.4.0", "full", true) // the unit once more, under a new version of the plan
	s.finish(s.run(again, "F2-0001", "RU-F2", 1, 1), "done", fail)
	other := s.campaign("2.4.0", "short", true) // passing a short plan does not mend it
	s.finish(s.run(other, "F2-0001", "RU-F2", 1, 1), "done", pass)
	newer := s.campaign("2.5.0", "full", true)
	s.run(newer, "F2-0001", "RU-F2", 1, 1)
	real := s.campaign("2.4.0", "full", false)
	s.finish(s.run(real, "T4-9999", "RU-T4", 1, 1), "done", fail)

	got, err := Yield(t.Context(), s.pool, true)
	if err != nil {
		t.Fatal(err)
	}
	checkYield(t, got, []BuildYield{
		{Build: "2.4.0", UnitType: "RU-F2", Simulated: true, Units: 1, FirstPass: 1, Final: 0},
		{Build: "2.4.0", UnitType: "RU-T4", Simulated: true, Units: 26, FirstPass: 24, Final: 25, Unjudged: 2, Errors: 3, Aborted: 1},
		{Build: "2.5.0", UnitType: "RU-F2", Simulated: true, Unjudged: 1},
	})
	if got, err = Yield(t.Context(), s.pool, false); err != nil {
		t.Fatal(err)
	}
	checkYield(t, got, []BuildYield{{Build: "2.4.0", UnitType: "RU-T4", Units: 1}})
}

// checkYield compares the counts and holds the intervals against those of the statistics.
func checkYield(t *testing.T, got, want []BuildYield) {
	t.Helper()
	for i, w := range want {
		first, final := statistics.Wilson(w.FirstPass, w.Units, 0.95), statistics.Wilson(w.Final, w.Units, 0.95)
		want[i].FirstPassLow, want[i].FirstPassHigh = first.Low, first.High
		want[i].FinalLow, want[i].FinalHigh = final.Low, final.High
		want[i].FirstPassExact, want[i].FinalExact = statistics.Exact(w.FirstPass, w.Units, 0.95), statistics.Exact(w.Final, w.Units, 0.95)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("yield\n got %+v\nwant %+v", got, want)
	}
}

func TestYieldOfNothing(t *testing.T) {
	s := newStore(t)
	if got, err := Yield(t.Context(), s.pool, true); err != nil || len(got) != 0 {
		t.Errorf("%v (%v), want nothing", got, err)
	}
}
