package results

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"benchyard/jobs/statistics"
)

func checkFigures(t *testing.T, what string, got, want []float64) {
	t.Helper()
	for i := range want {
		if !(math.Abs(got[i]-want[i]) < 1e-9) {
			t.Errorf("%s: figure %d is %v, want %v", what, i+1, got[i], want[i])
		}
	}
}

// Ten paired units as in metrology sheet 3.7: McNemar of (8, 2) is 0.109375, of
// (9, 1) 0.0214844.
func TestCompareYieldOfPairs(t *testing.T) {
	s := newStore(t)
	a, b := s.campaign("2.4.0", "full", true), s.campaign("2.5.0", "full", true)
	margin := map[bool]float64{true: 3, false: -3}
	for i := range 12 {
		worse, better := i < 8, i == 8 || i == 9
		serial := fmt.Sprintf("T4-%04d", i)
		s.finish(s.run(a, serial, "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", margin[!better]))
		s.finish(s.run(b, serial, "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", margin[!worse]))
	}
	s.finish(s.run(b, "T4-0000", "RU-T4", 2, 1), "done", caseOf("a", 1, "6.2", 3))                                  // a repeat mends no first pass
	s.finish(s.run(s.campaign("2.5.0", "short", true), "T4-0099", "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", 3)) // a plan of one build only
	s.finish(s.run(s.campaign("2.5.0", "full", false), "T4-0098", "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", 3)) // the real world
	c, err := Compare(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{})
	if err != nil || len(c.Yields) != 1 {
		t.Fatalf("%+v, %v", c, err)
	}
	y := c.Yields[0]
	if got := [7]int{y.UnitsA, y.PassedA, y.UnitsB, y.PassedB, y.Pairs, y.Worse, y.Better}; got != [7]int{12, 10, 12, 4, 12, 8, 2} {
		t.Errorf("counts %v, want 12 10 12 4, 12 pairs, 8 worse, 2 better", got)
	}
	d, i := statistics.Newcombe(4, 12, 10, 12, 0.95)
	checkFigures(t, "yield", []float64{y.Difference, y.Low, y.High, y.P, y.PairedP}, []float64{d, i.Low, i.High, statistics.FisherExact(10, 2, 4, 8), 0.109375})
	checkFigures(t, "difference of shares", []float64{y.Difference}, []float64{4.0/12 - 10.0/12})
	// Margins are those of the last attempt: T4-0000 passes again.
	if m := c.Clauses[0]; m.Worse != 7 || m.Better != 2 || m.Pairs != 12 || m.UnitsB != 13 {
		t.Errorf("margins %+v, want 7 worse and 2 better of 12 pairs, 13 units under B", m)
	}
	if !strings.Contains(y.Remark(), "8 of 12 units passed before and fail now: look at each") {
		t.Errorf("remark %q", y.Remark())
	}
}

// What may be claimed of n units without a regression: 1-0.05^(1/n), metrology
// sheet 3.1, and 59 units for 95 %.
func TestRemarksClaimNoMoreThanTheyMay(t *testing.T) {
	for _, row := range []struct {
		d    YieldDifference
		want string
	}{
		{YieldDifference{UnitsA: 12, UnitsB: 12, Pairs: 12}, "12 units: a claim of no regression is weak; up to 22 % of all units"}, // 1-0.05^(1/12) = 0.2209
		{YieldDifference{UnitsA: 1, UnitsB: 1, Pairs: 1}, "1 unit: a claim of no regression is weak; up to 95 %"},
		{YieldDifference{UnitsA: 58, UnitsB: 58, Pairs: 58}, "is weak"},
		{YieldDifference{UnitsA: 59, UnitsB: 59, Pairs: 59}, "59 units and none got worse: at 95 % confidence fewer than 5.0 %"},
		{YieldDifference{UnitsA: 10, UnitsB: 10, Pairs: 10, Worse: 9, Better: 1, PairedP: 0.0215}, "more than chance explains"},
		{YieldDifference{UnitsA: 10, UnitsB: 10}, "the units differ as well as the builds"},
		{YieldDifference{UnitsA: 10}, "nothing to compare"},
	} {
		if got := row.d.Remark(); !strings.Contains(got, row.want) {
			t.Errorf("%+v: %q does not say %q", row.d, got, row.want)
		}
	}
}

// A unit counts by the plans it was tried at under both builds.
func TestCompareKeepsPlansApart(t *testing.T) {
	s := newStore(t)
	run := func(build, plan, serial string, margin float64) {
		s.finish(s.run(s.campaign(build, plan, true), serial, "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", margin))
	}
	run("2.4.0", "full", "T4-0001", 1)
	run("2.4.0", "short", "T4-0001", -1)
	run("2.5.0", "full", "T4-0001", 1) // short was not tried again: no unit got better by that
	run("2.4.0", "full", "T4-0002", 1)
	run("2.5.0", "short", "T4-0002", -1)
	c, err := Compare(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{})
	if err != nil || len(c.Yields) != 1 {
		t.Fatalf("%+v, %v", c, err)
	}
	y := c.Yields[0]
	if got := [7]int{y.UnitsA, y.PassedA, y.UnitsB, y.PassedB, y.Pairs, y.Worse, y.Better}; got != [7]int{2, 1, 2, 1, 1, 0, 0} {
		t.Errorf("counts %v, want 2 1 2 1 and one pair that kept its verdict", got)
	}
}

// Closed forms: eight differences of one sign have p = 2/2^8, four values above
// four others p = 2/70; the false-discovery rates follow by hand.
func TestCompareMargins(t *testing.T) {
	s := newStore(t)
	a, b := s.campaign("2.4.0", "full", true), s.campaign("2.5.0", "full", true)
	for i := range 8 {
		step, serial := float64(i)/8, fmt.Sprintf("T4-%04d", i)
		few := []Case{caseOf("x", 1, "6.2", 2+step), caseOf("y", 2, "6.6.3", 5)}
		now := []Case{caseOf("x", 1, "6.2", 1+step/2), caseOf("y", 2, "6.6.3", 5+(step-0.4375)/16)} // falls by 1 to 1.4375; moves by ±1/64 and so on, up to 0.0273
		if i < 3 {
			few, now = append(few, caseOf("z", 3, "6.6.4", 4)), append(now, caseOf("z", 3, "6.6.4", -4))
		}
		s.finish(s.run(a, serial, "RU-T4", 1, len(few)), "done", few...)
		s.finish(s.run(b, serial, "RU-T4", 1, len(now)), "done", now...)
	}
	for i := range 4 {
		s.finish(s.run(a, fmt.Sprint("F2-1", i), "RU-F2", 1, 1), "done", caseOf("x", 1, "6.2", float64(i)))
		s.finish(s.run(b, fmt.Sprint("F2-2", i), "RU-F2", 1, 1), "done", caseOf("x", 1, "6.2", 10+float64(i)))
	}
	c, err := Compare(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, m := range c.Clauses {
		got = append(got, fmt.Sprintf("%s %s %d %d %d -%d +%d %s: %s", m.UnitType, m.Clause, m.UnitsA, m.UnitsB, m.Pairs, m.Worse, m.Better, m.Method, m.Finding()))
	}
	want := []string{
		"RU-F2 6.2 4 4 0 -0 +0 Mann–Whitney: better", "RU-T4 6.2 8 8 8 -8 +0 signed ranks: worse",
		"RU-T4 6.6.3 8 8 8 -0 +0 signed ranks: typical unit unchanged", "RU-T4 6.6.4 3 3 3 -3 +0 too few to say: too few units",
	}
	if !reflect.DeepEqual(got, want) {
		t.Fatalf("got\n%q\nwant\n%q", got, want)
	}
	checkFigures(t, "unpaired", []float64{c.Clauses[0].Shift, c.Clauses[0].P, c.Clauses[0].Q, c.Clauses[0].LeastB}, []float64{10, 2.0 / 70, 3.0 / 2 * 2 / 70, 10})
	// The differences are -1 - i/16, i from 0 to 7: symmetric about -1.21875.
	checkFigures(t, "paired", []float64{c.Clauses[1].Shift, c.Clauses[1].P, c.Clauses[1].Q, c.Clauses[1].LeastB}, []float64{-1.21875, 2.0 / 256, 3 * 2.0 / 256, 1})
	if m := c.Clauses[1]; !(m.Low > -1.4376 && m.Low < m.Shift && m.High > m.Shift && m.High < -0.9999) {
		t.Errorf("interval %v to %v about %v", m.Low, m.High, m.Shift)
	}
	if m := c.Clauses[3]; !math.IsNaN(m.P) || !math.IsNaN(m.Shift) || m.LeastB != -4 {
		t.Errorf("untested: %+v", m)
	}
	c, err = Compare(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{Decibels: 2})
	if err != nil || c.Clauses[1].Finding() != Unchanged {
		t.Errorf("1.2 dB where 2 dB are material: %s (%v)", c.Clauses[1].Finding(), err)
	}
}

// A finding needs both: what chance hardly does, and what is worth reporting.
func TestFindings(t *testing.T) {
	for _, row := range []struct {
		shift, low, high, q float64
		want                Finding
	}{
		{-1, -1.5, -0.6, 0.05, ShiftedWorse}, {-0.5, -0.9, -0.1, 0.01, ShiftedWorse},
		{1, 0.6, 1.5, 0.05, ShiftedBetter}, {0.5, 0.2, 0.6, 0.01, ShiftedBetter},
		{-1, -1.5, -0.6, 0.051, Open}, {1, 0.2, 1.5, 0.2, Open}, // may be chance
		{-0.3, -0.4, -0.2, 0.001, Unchanged}, // surely something, but nothing material
		{0, -0.5, 0.4, 1, Open}, {0, -0.4, 0.5, 1, Open}, {0, -0.4, 0.4, 1, Unchanged},
		{0, -0.4, math.Inf(1), 1, Open},
	} {
		s := MarginShift{Method: Paired, Shift: row.shift, Low: row.low, High: row.high, Q: row.q, Material: 0.5}
		if got := s.Finding(); got != row.want {
			t.Errorf("%+v: %s, want %s", row, got, row.want)
		}
	}
	if got := (MarginShift{Method: Untested, Q: math.NaN(), Material: 0.5}).Finding(); got != TooFew {
		t.Errorf("untested: %s", got)
	}
}

func TestCompareWithNothing(t *testing.T) {
	s := newStore(t)
	c, err := Compare(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{})
	if err != nil || len(c.Yields)+len(c.Clauses) != 0 {
		t.Errorf("%+v, %v", c, err)
	}
	s.finish(s.run(s.campaign("2.4.0", "full", true), "T4-0001", "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", 1))
	c, err = Compare(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{})
	if err != nil || len(c.Yields) != 1 || len(c.Clauses) != 0 || !math.IsNaN(c.Yields[0].Difference) || !math.IsNaN(c.Yields[0].P) {
		t.Errorf("one build only: %+v, %v", c, err)
	}
}
