package results

import (
	"math"
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

// goldenOf makes figures of populations of one golden unit.
func goldenOf(t *testing.T, populations ...Population) []GoldenFigure {
	t.Helper()
	var figures []GoldenFigure
	for _, p := range populations {
		figures = append(figures, goldenFigureOf(p))
	}
	if err := limitGolden(figures); err != nil {
		t.Fatal(err)
	}
	return figures
}

// Eight readings that alternate by 0.1: centre 3.05, standard deviation
// 0.05 sqrt(8/7) = 0.053452, and limits t sqrt(1 + 1/8) times that away, with the
// quantile 0.99865 of Student's t with 7 degrees of freedom, 4.5299 (the tail beyond
// three sigma; solved from the incomplete beta function).
func TestGoldenFigureAgainstEarlierRuns(t *testing.T) {
	const reach = 4.5299 * 0.0534522 * 1.0606602
	steady := []float64{3, 3.1, 3, 3.1, 3, 3.1, 3, 3.1}
	for _, row := range []struct {
		newest float64
		signal bool
	}{{3.05, false}, {3.05 + reach - 1e-4, false}, {3.05 + reach + 1e-4, true}, {3.05 - reach + 1e-4, false}, {3.05 - reach - 1e-4, true}, {9, true}} {
		g := goldenOf(t, population(append(steady[:8:8], row.newest)...))[0]
		if g.Signal != row.signal || g.Earlier != 8 || g.Connector != 2 || g.Missing != "" || g.Newest.Value != row.newest || g.ReadingUnit() != "dB" {
			t.Errorf("%g dB: %+v, want signal %t of 8 earlier readings", row.newest, g, row.signal)
		}
		if math.Abs(g.Limits.Centre-3.05) > 1e-9 || math.Abs(g.Limits.Upper-3.05-reach) > 5e-5 || math.Abs(g.Limits.Lower-3.05+reach) > 5e-5 {
			t.Errorf("limits %+v, want 3.05 +- %.5f", g.Limits, reach)
		}
	}
}

// The more figures a run has, the wider the limits of each; those without limits take
// no share.
func TestGoldenLimitsKnowHowManyThereAre(t *testing.T) {
	steady := func() Population { return population(3, 3.1, 3, 3.1, 3, 3.1, 3, 3.1, 3.35) }
	one := goldenOf(t, steady(), population(1, 2), population(3, 3, 3, 3, 3, 3, 3, 3, 3))
	four := goldenOf(t, steady(), steady(), steady(), steady())
	if !one[0].Signal || four[0].Signal {
		t.Errorf("signals at one figure %v, at each of four %v; want only the first", one[0].Signal, four[0].Signal)
	}
	// t(7) at 1 - 0.00135/4 is 5.6 (between 5.408 at 0.9995 and 7.885 at 0.99995, tables of t).
	if w := (four[0].Limits.Upper - four[0].Limits.Lower) / (one[0].Limits.Upper - one[0].Limits.Lower); !(w > 5.408/4.5299 && w < 7.885/4.5299) {
		t.Errorf("limits are %.3f times as wide", w)
	}
}

func TestGoldenFigureWithoutLimits(t *testing.T) {
	for want, p := range map[string]Population{
		"7 readings, it takes at least 8": population(3, 3.1, 3, 3.1, 3, 3.1, 3, 99),
		"all 8 readings are equal":        population(3, 3, 3, 3, 3, 3, 3, 3, 99),
	} {
		if g := goldenOf(t, p)[0]; g.Signal || !strings.Contains(g.Missing, want) {
			t.Errorf("%+v; want no signal and %q", g, want)
		}
	}
	// Two readings of the newest run are no earlier runs.
	p := population(3, 3.1, 3, 3.1, 3, 3.1, 3, 3.1, 99)
	p.Readings[7].Run = p.Readings[8].Run
	if g := goldenOf(t, p)[0]; g.Earlier != 7 {
		t.Errorf("%d earlier readings; want 7", g.Earlier)
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
		checkFigures(t, "centre", []float64{g.Limits.Centre}, []float64{10 - float64(i+1) - 0.05})
	}
	// Begun anew in the middle: what was before is not compared any more, and stays.
	s.exec(`INSERT INTO golden_baseline (bench, serial, begun_at, begun_by, reason) VALUES ('bench-1', 'GOLD-1', now() + make_interval(secs => 33.5), 'ann', 'new cables')`)
	if found, err = GoldenFigures(t.Context(), s.pool, "bench-1", "GOLD-1"); err != nil || len(found) != 2 || found[0].Earlier >= 8 || found[0].Earlier == 0 || found[0].Missing == "" {
		t.Errorf("%+v, %v; want fewer than 8 earlier readings since it began anew", found, err)
	}
	begun, err := GoldenBaselines(t.Context(), s.pool, "bench-1", "GOLD-1")
	if err != nil || len(begun) != 1 || begun[0].By != "ann" || begun[0].Reason != "new cables" {
		t.Errorf("%+v, %v", begun, err)
	}
	s.exec(`DELETE FROM golden_baseline`)
	s.exec(`UPDATE campaign SET limit_set = 'other' WHERE id IN (SELECT campaign_id FROM run JOIN measured_case c ON c.run_id = run.id
		WHERE serial = 'GOLD-1' AND extract(minute FROM c.measured_at) < 34)`)
	if found, err = GoldenFigures(t.Context(), s.pool, "bench-1", "GOLD-1"); err != nil || len(found) != 2 || found[0].Earlier != 4 || found[0].Missing == "" {
		t.Errorf("%+v, %v; want 4 earlier readings under the newest limit set", found, err)
	}
}
