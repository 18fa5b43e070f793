package results

import (
	"fmt"
	"reflect"
	"testing"

	"github.com/google/uuid"

	"benchyard/jobs/conformance"
)

func TestWorstByClause(t *testing.T) {
	s := newStore(t)
	campaign := s.campaign("2.4.0", "p", true)
	s.finish(s.run(campaign, "T4-0001", "RU-T4", 1, 2), "done", caseOf("a", 1, "6.2", 2), caseOf("b", 2, "6.6.4", -3, 1))
	s.finish(s.run(campaign, "T4-0001", "RU-T4", 2, 2), "done", caseOf("a", 1, "6.2", 1.5), caseOf("b", 2, "6.6.4", 2, 1.25))
	s.finish(s.run(campaign, "T4-0002", "RU-T4", 1, 2), "done", caseOf("a", 1, "6.2", -0.5, 3), caseOf("b", 2, "6.6.4"))
	s.finish(s.run(s.campaign("2.5.0", "p", true), "T4-0002", "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", -9))
	worst, err := WorstByClause(t.Context(), s.pool, campaign)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, w := range worst {
		got = append(got, fmt.Sprintf("%s %s %s %g %s %s %d of %d", w.Clause, w.Serial, w.Requirement, w.Margin, w.Unit, w.Verdict, w.Failed, w.Units))
	}
	// Of T4-0001 only the second attempt counts: its -3 was repaired.
	want := []string{"6.2 T4-0002 6.2/1 -0.5 dBm fail 1 of 2", "6.6.4 T4-0001 6.6.4/2 1.25 dBm pass 0 of 1"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("worst %q, want %q", got, want)
	}
	if c, err := CaseByID(t.Context(), s.pool, worst[0].Case); err != nil || c.Run != worst[0].Run || worst[0].Value != -12.5 {
		t.Errorf("case %+v (%v) of %+v", c, err, worst[0])
	}
	s.exec(`UPDATE run SET golden = true WHERE serial = 'T4-0002'`)
	if worst, err = WorstByClause(t.Context(), s.pool, campaign); err != nil || len(worst) != 2 || worst[0].Serial != "T4-0001" || worst[0].Units != 1 {
		t.Errorf("with T4-0002 as golden unit: %+v, %v", worst, err)
	}
}

// pair measures one clause of one unit under both builds.
func (s *store) pair(a, b uuid.UUID, serial, clause string, marginA, marginB []float64) {
	s.tb.Helper()
	s.finish(s.run(a, serial, "RU-T4", 1, 1), "done", caseOf(clause, 1, clause, marginA...))
	s.finish(s.run(b, serial, "RU-T4", 1, 1), "done", caseOf(clause, 1, clause, marginB...))
}

func describe(list []Regression) []string {
	var lines []string
	for _, r := range list {
		lines = append(lines, fmt.Sprintf("%s %s %g>%g %s>%s worse=%t", r.Serial, r.Clause, r.MarginA, r.MarginB, r.VerdictA, r.VerdictB, r.Worse()))
	}
	return lines
}

func TestRegressions(t *testing.T) {
	s := newStore(t)
	a, b := s.campaign("2.4.0", "p", true), s.campaign("2.5.0", "p", true)
	s.pair(a, b, "T4-0001", "6.6.3", []float64{5, 3}, []float64{-1, 4}) // now fails, by 4 dB
	s.pair(a, b, "T4-0002", "6.6.3", []float64{0.1}, []float64{-0.1})   // now fails, hardly moved
	s.pair(a, b, "T4-0003", "6.6.3", []float64{9}, []float64{3})        // passes with 6 dB less
	s.pair(a, b, "T4-0004", "6.6.3", []float64{9}, []float64{8.75})     // nothing material
	s.pair(a, b, "T4-0005", "6.6.3", []float64{3}, []float64{4})        // better
	s.pair(a, b, "T4-0006", "6.6.3", []float64{-2}, []float64{2})       // now passes
	s.pair(a, b, "T4-0007", "6.6.3", []float64{3}, nil)                 // an error is no comparison
	s.pair(a, b, "T4-0008", "6.6.3", []float64{3}, []float64{2.5})      // exactly the default
	// A second attempt under the new build stands for the unit.
	s.pair(a, b, "T4-0009", "6.6.3", []float64{3}, []float64{-5})
	s.finish(s.run(b, "T4-0009", "RU-T4", 2, 1), "done", caseOf("6.6.3", 1, "6.6.3", 3))
	// One that was cancelled does not.
	s.pair(a, b, "T4-0010", "6.6.3", []float64{3}, []float64{3})
	s.finish(s.run(b, "T4-0010", "RU-T4", 2, 2), "cancelled", caseOf("6.6.3", 1, "6.6.3", -5))
	// Another clause, and the real world, are other things.
	s.finish(s.run(s.campaign("2.5.0", "p", false), "T4-0004", "RU-T4", 1, 1), "done", caseOf("6.6.3", 1, "6.6.3", -5))
	s.finish(s.run(s.campaign("2.5.0", "p", true), "T4-0004", "RU-T4", 1, 1), "done", caseOf("6.2", 1, "6.2", -5))

	got, err := Regressions(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"T4-0001 6.6.3 3>-1 pass>fail worse=true",
		"T4-0002 6.6.3 0.1>-0.1 pass>fail worse=true",
		"T4-0003 6.6.3 9>3 pass>pass worse=true",
		"T4-0008 6.6.3 3>2.5 pass>pass worse=true",
		"T4-0005 6.6.3 3>4 pass>pass worse=false",
		"T4-0006 6.6.3 -2>2 fail>pass worse=false",
	}
	if !reflect.DeepEqual(describe(got), want) {
		t.Errorf("got\n%q\nwant\n%q", describe(got), want)
	}
	got, err = Regressions(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{Decibels: 5})
	if want := append(want[:3:3], want[5]); err != nil || !reflect.DeepEqual(describe(got), want) {
		t.Errorf("from 5 dB on: got\n%q (%v)\nwant\n%q", describe(got), err, want)
	}
	if got, err := Regressions(t.Context(), s.pool, "2.4.0", "2.5.0", false, Material{}); err != nil || len(got) != 0 {
		t.Errorf("of real units: %q (%v), want none", describe(got), err)
	}
}

func TestRegressionOfBandwidth(t *testing.T) {
	s := newStore(t)
	a, b := s.campaign("2.4.0", "p", true), s.campaign("2.5.0", "p", true)
	for i, change := range []float64{-100e3, -300e3} { // 0.25 MHz is material
		for campaign, margin := range map[uuid.UUID]float64{a: 2e6, b: 2e6 + change} {
			c := caseOf("obw", 1, conformance.OccupiedBandwidthClause, margin)
			c.Results[0].Requirement.Unit = "Hz"
			s.finish(s.run(campaign, fmt.Sprint("F2-000", i), "RU-F2", 1, 1), "done", c)
		}
	}
	got, err := Regressions(t.Context(), s.pool, "2.4.0", "2.5.0", true, Material{Decibels: 0.001})
	if err != nil || len(got) != 1 || got[0].Serial != "F2-0001" || got[0].Change() != -300e3 {
		t.Errorf("%q (%v), want F2-0001 alone", describe(got), err)
	}
}

func TestFigures(t *testing.T) {
	s := newStore(t)
	campaign := s.campaign("2.4.0", "p", true)
	first := s.run(campaign, "T4-0001", "RU-T4", 1, 2)
	s.finish(first, "done", caseOf("b", 2, "6.6.4", -3, 1), caseOf("a", 1, "6.2", 2))
	s.finish(s.run(campaign, "T4-0002", "RU-T4", 1, 2), "done", caseOf("a", 1, "6.2", -1), caseOf("b", 2, "6.6.4"))
	s.finish(s.run(s.campaign("2.5.0", "p", true), "T4-0002", "RU-T4", 1, 1), "done", caseOf("a", 1, "6.2", 4))
	for name, test := range map[string]struct {
		filter Filter
		want   []string
	}{
		"all":           {Filter{}, []string{"T4-0001 2.4.0 6.2/1 2", "T4-0001 2.4.0 6.6.4/1 -3", "T4-0001 2.4.0 6.6.4/2 1", "T4-0002 2.4.0 6.2/1 -1", "T4-0002 2.5.0 6.2/1 4"}},
		"of a campaign": {Filter{Campaign: campaign, Clause: "6.2"}, []string{"T4-0001 2.4.0 6.2/1 2", "T4-0002 2.4.0 6.2/1 -1"}},
		"of a run":      {Filter{Run: first, Limit: 2}, []string{"T4-0001 2.4.0 6.2/1 2", "T4-0001 2.4.0 6.6.4/1 -3"}},
		"of a unit":     {Filter{Serial: "T4-0002"}, []string{"T4-0002 2.4.0 6.2/1 -1", "T4-0002 2.5.0 6.2/1 4"}},
		"that fail":     {Filter{Verdict: conformance.Fail}, []string{"T4-0001 2.4.0 6.6.4/1 -3", "T4-0002 2.4.0 6.2/1 -1"}},
		"none":          {Filter{Clause: "6.7"}, nil},
	} {
		figures, err := Figures(t.Context(), s.pool, test.filter)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, f := range figures {
			got = append(got, fmt.Sprintf("%s %s %s %g", f.Serial, f.Build, f.Result.Requirement.Key, f.Result.Margin))
		}
		if !reflect.DeepEqual(got, test.want) {
			t.Errorf("%s: got %q, want %q", name, got, test.want)
		}
	}
}
