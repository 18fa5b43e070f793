package results

import (
	"fmt"
	"math"
	"reflect"
	"testing"
)

func TestWilson(t *testing.T) {
	const table = "metrology sheet 3.2, computed column"
	for _, row := range []struct {
		k, n      int
		level     float64
		low, high float64
		source    string
		tolerance float64
	}{
		{81, 263, 0.95, 0.2552885, 0.3662096, table, 5e-8},
		{15, 148, 0.95, 0.0623864, 0.1604872, table, 5e-8},
		{0, 20, 0.95, 0, 0.1611252, table, 5e-8},
		{1, 29, 0.95, 0.0061132, 0.1717552, table, 5e-8},
		{20, 20, 0.95, 0.8388748, 1, table, 5e-8},
		{57, 60, 0.95, 0.8629948, 0.9828505, table, 5e-8},
		{95, 100, 0.95, 0.8882495, 0.9784563, table, 5e-8},
		{998, 1000, 0.95, 0.9927372, 0.9994514, table, 5e-8},
		{4, 20, 0.90, 0.0931180, 0.3783767, table + "; case of NIST e-Handbook 7.2.4.2", 5e-8},
		{81, 263, 0.95, 0.2553, 0.3662, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{15, 148, 0.95, 0.0624, 0.1605, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{0, 20, 0.95, 0, 0.1611, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{1, 29, 0.95, 0.0061, 0.1718, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{57, 60, 0.95, 0.863, 0.983, "metrology sheet 3.2, published column", 5e-4},
	} {
		low, high := Wilson(row.k, row.n, row.level)
		if math.Abs(low-row.low) > row.tolerance || math.Abs(high-row.high) > row.tolerance {
			t.Errorf("%d of %d at %v: %.7f to %.7f, want %v to %v (%s)", row.k, row.n, row.level, low, high, row.low, row.high, row.source)
		}
	}
	if low, high := Wilson(0, 0, 0.95); low != 0 || high != 1 {
		t.Errorf("0 of 0: %v to %v, want 0 to 1: nothing is known", low, high)
	}
	for _, bad := range []struct {
		k, n  int
		level float64
	}{{-1, 5, 0.95}, {6, 5, 0.95}, {1, 5, 0}, {1, 5, 1}, {1, 5, math.NaN()}} {
		if low, high := Wilson(bad.k, bad.n, bad.level); !math.IsNaN(low) || !math.IsNaN(high) {
			t.Errorf("%+v: %v to %v, want NaN", bad, low, high)
		}
	}
}

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

// checkYield compares the counts and holds the intervals against Wilson.
func checkYield(t *testing.T, got, want []BuildYield) {
	t.Helper()
	for i, w := range want {
		want[i].FirstPassLow, want[i].FirstPassHigh = Wilson(w.FirstPass, w.Units, 0.95)
		want[i].FinalLow, want[i].FinalHigh = Wilson(w.Final, w.Units, 0.95)
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
