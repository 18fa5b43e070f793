package results

import (
	"strings"
	"testing"

	"github.com/google/uuid"
)

// population is readings of one run each, in this order.
func population(values ...float64) Population {
	p := Population{FigureName: FigureName{Requirement: "6.2", Unit: "dBm"}, Margin: true}
	for _, v := range values {
		p.Readings = append(p.Readings, PopulationReading{Run: uuid.New(), Connector: 2, Value: v})
	}
	return p
}

// Eight readings that alternate by 0.1: centre 3.05, mean moving range 0.1, and
// limits 3 * 0.1 / 1.128 = 0.26596 from it (NIST/SEMATECH e-Handbook 6.3.2.2).
func TestGoldenFigureAgainstEarlierRuns(t *testing.T) {
	steady := []float64{3, 3.1, 3, 3.1, 3, 3.1, 3, 3.1}
	for _, row := range []struct {
		newest float64
		signal bool
	}{{3.05, false}, {3.3159, false}, {3.3160, true}, {2.7841, false}, {2.7840, true}, {9, true}} {
		g, err := GoldenFigureOf(population(append(steady[:8:8], row.newest)...))
		if err != nil {
			t.Fatal(err)
		}
		if g.Signal != row.signal || g.Earlier != 8 || g.Connector != 2 || g.Missing != "" || g.Newest.Value != row.newest || g.ReadingUnit() != "dB" {
			t.Errorf("%g dB: %+v, want signal %t of 8 earlier readings", row.newest, g, row.signal)
		}
		checkFigures(t, "chart", []float64{g.Chart.Centre, g.Chart.Lower, g.Chart.Upper}, []float64{3.05, 3.05 - 3*0.1/1.128, 3.05 + 3*0.1/1.128})
	}
}

func TestGoldenFigureWithoutAChart(t *testing.T) {
	for want, p := range map[string]Population{
		"7 readings, it takes at least 8": population(3, 3.1, 3, 3.1, 3, 3.1, 3, 99),
		"all 8 readings are equal":        population(3, 3, 3, 3, 3, 3, 3, 3, 99),
	} {
		if g, err := GoldenFigureOf(p); err != nil || g.Signal || !strings.Contains(g.Missing, want) {
			t.Errorf("%+v, %v; want no signal and %q", g, err, want)
		}
	}
	// Two readings of the newest run are no earlier runs.
	p := population(3, 3.1, 3, 3.1, 3, 3.1, 3, 3.1, 99)
	p.Readings[7].Run = p.Readings[8].Run
	if g, err := GoldenFigureOf(p); err != nil || g.Earlier != 7 {
		t.Errorf("%d earlier readings, %v; want 7", g.Earlier, err)
	}
}

// The same units with a golden one between them: nothing that is counted of
// units and builds may differ.
func TestGoldenRunsNeverCount(t *testing.T) {
	s := newStore(t)
	upper := 40.0
	for i, build := range []string{"2.4.0", "2.5.0"} {
		s.reading(at{build: build, serial: "T4-0001", bench: "bench-1", value: 38, upper: &upper, minute: i})
		s.reading(at{build: build, serial: "GOLD-1", bench: "bench-1", value: 30 + 5*float64(i), upper: &upper, minute: i})
	}
	for _, margin := range []float64{-9, 9} { // fails under one build, passes under the other
		campaign := s.campaign(map[bool]string{true: "2.5.0", false: "2.4.0"}[margin < 0], "plan", true)
		s.finish(s.run(campaign, "GOLD-1", "RU-T4", 1, 1), "done", caseOf("a", 1, "6.6.4", margin))
	}
	counted := func() [5]int {
		t.Helper()
		ctx := t.Context()
		yields, err := Yield(ctx, s.pool, true)
		if err != nil || len(yields) != 2 {
			t.Fatalf("%d yields, %v; want two builds", len(yields), err)
		}
		comparison, err := Compare(ctx, s.pool, "2.4.0", "2.5.0", true, Material{})
		if err != nil || len(comparison.Yields) != 1 {
			t.Fatalf("%+v, %v", comparison, err)
		}
		changed, err := Regressions(ctx, s.pool, "2.4.0", "2.5.0", true, Material{})
		if err != nil {
			t.Fatal(err)
		}
		readings := 0
		found, err := Capabilities(ctx, s.pool, ReadingFilter{Simulated: true})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range found {
			readings += len(c.Readings)
		}
		return [5]int{yields[1].Units, comparison.Yields[0].Pairs, len(changed), len(comparison.Clauses), readings}
	}
	if got := counted(); got != [5]int{2, 2, 1, 2, 6} {
		t.Fatalf("as an ordinary unit it counts %v, want 2 units, 2 pairs, 1 change, 2 clauses, 6 readings", got)
	}
	s.exec(`UPDATE run SET golden = true WHERE serial = 'GOLD-1'`)
	if got := counted(); got != [5]int{1, 1, 0, 1, 2} {
		t.Errorf("as a golden unit %v, want 1 unit, 1 pair, no change, 1 clause, 2 readings", got)
	}
}

// The chart is of one bench, one unit, golden runs and the limit set in force at
// the newest of them; connectors stand apart.
func TestGoldenFiguresAreOfOneBench(t *testing.T) {
	s := newStore(t)
	upper := 40.0
	for i := range 9 {
		for connector := 1; connector <= 2; connector++ {
			s.reading(at{build: "2.4.0", serial: "GOLD-1", bench: "bench-1", connector: connector, value: 30 + 0.1*float64(i%2) + float64(connector), upper: &upper, minute: i})
		}
		s.reading(at{build: "2.4.0", serial: "GOLD-1", bench: "bench-2", value: 12, upper: &upper, minute: i})
		s.reading(at{build: "2.4.0", serial: "T4-0001", bench: "bench-1", value: 12, upper: &upper, minute: i})
	}
	if found, err := GoldenFigures(t.Context(), s.pool, "bench-1", "GOLD-1"); err != nil || found != nil {
		t.Fatalf("%+v, %v; want nothing of a unit that is not golden", found, err)
	}
	s.exec(`UPDATE run SET golden = true, finished_at = now() + make_interval(secs => extract(minute FROM c.measured_at)::int)
		FROM measured_case c WHERE c.run_id = run.id`)
	found, err := GoldenFigures(t.Context(), s.pool, "bench-1", "GOLD-1")
	if err != nil || len(found) != 2 {
		t.Fatalf("%+v, %v; want two connectors", found, err)
	}
	for i, g := range found {
		// Margins to 40: 10 less the connector, and 0.1 less for each other one of eight.
		if g.Connector != i+1 || g.Earlier != 8 || !g.Margin || g.Signal {
			t.Errorf("%+v, want connector %d with 8 earlier margins", g, i+1)
		}
		checkFigures(t, "centre", []float64{g.Chart.Centre}, []float64{10 - float64(i+1) - 0.05})
	}
	s.exec(`UPDATE campaign SET limit_set = 'other' WHERE id IN (SELECT campaign_id FROM run JOIN measured_case c ON c.run_id = run.id
		WHERE serial = 'GOLD-1' AND extract(minute FROM c.measured_at) < 34)`)
	if found, err = GoldenFigures(t.Context(), s.pool, "bench-1", "GOLD-1"); err != nil || len(found) != 2 || found[0].Earlier != 4 || found[0].Missing == "" {
		t.Errorf("%+v, %v; want 4 earlier readings under the newest limit set", found, err)
	}
}
