package results

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/jobs/conformance"
)

// at describes one reading of a test.
type at struct {
	build, serial, bench string
	connector            int
	real                 bool
	value                float64
	lower, upper         *float64
	tightened            float64
	minute               int // when, after the first
}

// reading stores a run with one figure.
func (s *store) reading(r at) {
	s.tb.Helper()
	s.exec(`INSERT INTO bench (name) VALUES ($1) ON CONFLICT DO NOTHING`, r.bench)
	c := caseOf(fmt.Sprint("power/", r.connector), 1, "6.2", 1)
	c.Connector = max(1, r.connector)
	c.MeasuredAt = c.MeasuredAt.Add(time.Duration(r.minute) * time.Minute)
	f := &c.Results[0]
	f.Value, f.Lower, f.Upper, f.Tightened, f.Margin = r.value, r.lower, r.upper, r.tightened, 1
	id := s.run(s.campaign(r.build, "plan", !r.real), r.serial, "RU-T4", 1, 1)
	s.exec(`UPDATE run SET bench = $2 WHERE id = $1`, id, r.bench)
	s.finish(id, "done", c)
}

// series stores one reading of each of so many units, in this order.
func (s *store) series(values []float64, lower, upper *float64) {
	s.tb.Helper()
	for i, v := range values {
		s.reading(at{build: "2.4.0", serial: fmt.Sprintf("T4-%03d", i+1), bench: "bench-1", value: v, lower: lower, upper: upper, minute: i})
	}
}

func (s *store) only() Capability {
	s.tb.Helper()
	found, err := Capabilities(s.tb.Context(), s.pool, ReadingFilter{Simulated: true})
	if err != nil || len(found) != 1 {
		s.tb.Fatalf("%d capabilities, %v; want one", len(found), err)
	}
	return found[0]
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk
// 0.6667, Cpu 0.6667, Cpl 1.3333. The interval of 0.6667 at n = 50 is 0.50555 to
// 0.82778 (metrology sheet 3.3, computed).
func TestCapabilityGivesThePublishedIndices(t *testing.T) {
	s := newStore(t)
	lower, upper := 8.0, 20.0
	values := make([]float64, 50)
	for i := range values { // alternating about 16, so that s is exactly 2
		values[i] = 16 + 2*math.Sqrt(49.0/50)*float64(1-2*(i%2))
	}
	s.series(values, &lower, &upper)
	c := s.only()
	if c.Overall == nil || c.Margin || len(c.Readings) != 50 || c.OverallRefused != "" {
		t.Fatalf("%+v", c)
	}
	near(t, "Cp", c.Overall.Cp, 1, 1e-9)
	near(t, "Cpk", c.Overall.Cpk, 0.6667, 5e-5)
	near(t, "Cpu", c.Overall.Upper, 0.6667, 5e-5)
	near(t, "Cpl", c.Overall.Lower, 1.3333, 5e-5)
	near(t, "low", c.OverallInterval.Low, 0.50555, 1e-5)
	near(t, "high", c.OverallInterval.High, 0.82778, 1e-5)
	// Neighbours are 4 sqrt(49/50) apart: within them the spread is that over 1.128.
	near(t, "within", c.Within.SD, 4*math.Sqrt(49.0/50)/1.128, 1e-9)
	near(t, "least room", c.Least, 20-16-2*math.Sqrt(49.0/50), 1e-9)
	if c.Uncertainty() != 0.35 { // of the budget that every stored reading has here
		t.Errorf("standard uncertainty %v", c.Uncertainty())
	}
}

// A limit on one side has margins as readings, and the index of that side;
// tightening for the bench's uncertainty is no property of the units.
func TestOneSidedReadingsAreMarginsToTheRequirement(t *testing.T) {
	s := newStore(t)
	for i := range 24 {
		upper := 39.8 // 40 in the specification
		s.reading(at{build: "2.4.0", serial: fmt.Sprintf("T4-%03d", i/2+1), connector: 1 + i%2, bench: "bench-1", value: 37 + 0.1*float64(i%3), upper: &upper, tightened: 0.2, minute: i})
	}
	c := s.only()
	if !c.Margin || c.Limits.Upper != nil || *c.Limits.Lower != 0 || c.Overall == nil || !math.IsNaN(c.Overall.Cp) {
		t.Fatalf("%+v", c)
	}
	near(t, "mean", c.Summary.Mean, 2.9, 1e-9)
	near(t, "Cpk", c.Overall.Cpk, 2.9/(3*c.Summary.SD), 1e-9)
}

// NIST/SEMATECH e-Handbook 1.3.5.17.3, 54 values: three outliers, of which one
// or two alone are not significant.
func TestOutliersAreThePublishedThree(t *testing.T) {
	s := newStore(t)
	upper := 10.0
	rosner := []float64{-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01}
	lower := -10.0
	s.series(rosner, &lower, &upper)
	o := s.only().Outliers
	if len(o) != 3 || o[0].Serial != "T4-054" || o[1].Serial != "T4-053" || o[2].Serial != "T4-052" {
		t.Fatalf("%+v", o)
	}
	for i, want := range [][2]float64{{3.118906, 3.158794}, {2.942973, 3.151430}, {3.179424, 3.143890}} {
		near(t, "distance", o[i].Distance, want[0], 1e-6)
		near(t, "critical", o[i].Critical, want[1], 1e-6)
	}
}

// NIST StRD SiRstv as if its instruments were benches: F 1.18046237440255, whose
// probability is 0.349447 (metrology sheet 3.5, computed).
func TestBenchEffectIsTheCertifiedOne(t *testing.T) {
	s := newStore(t)
	lower := 190.0
	for bench, values := range [][]float64{
		{196.3052, 196.1240, 196.1890, 196.2569, 196.3403}, {196.3042, 196.3825, 196.1669, 196.3257, 196.0422}, {196.1303, 196.2005, 196.2889, 196.0343, 196.1811},
		{196.2795, 196.1748, 196.1494, 196.1485, 195.9885}, {196.2119, 196.1051, 196.1850, 196.0052, 196.2090},
	} {
		for i, v := range values {
			s.reading(at{build: "2.4.0", serial: fmt.Sprintf("T4-%d%d", bench, i), bench: fmt.Sprint("bench-", bench), value: v, lower: &lower, minute: 5*bench + i})
		}
	}
	near(t, "p", s.only().BenchP, 0.349447, 5e-7)
}

func TestCapabilityRefusals(t *testing.T) {
	upper := 40.0
	steady := func(n int, value func(i int) float64) []float64 {
		xs := make([]float64, n)
		for i := range xs {
			xs[i] = value(i)
		}
		return xs
	}
	for _, c := range []struct {
		values []float64
		upper  *float64
		says   string
		both   bool // neither index
	}{
		{steady(19, func(i int) float64 { return 37 + float64(i%2) }), &upper, "20 transmitters", true},
		{steady(24, func(int) float64 { return 37 }), &upper, "equal", true},
		{steady(24, func(i int) float64 { return 37 + float64(i%2) }), nil, "no limit", true},
		{steady(24, func(i int) float64 { return 30 + 0.3*float64(i) }), &upper, "not steady", false},
	} {
		s := newStore(t)
		s.series(c.values, nil, c.upper)
		got := s.only()
		if got.Within != nil || !strings.Contains(got.WithinRefused, c.says) || c.both != (got.Overall == nil) {
			t.Errorf("%q: %+v", c.says, got)
		}
		_, err := got.Production()
		if refused := errors.As(err, new(*RefusedError)); c.both && refused != (c.says != "equal") {
			t.Errorf("%q: production gives %v", c.says, err)
		}
	}
}

// Of a transmitter its first judged attempt counts, as for first-pass yield;
// builds, simulated and real readings stay apart.
func TestPopulationsStayApart(t *testing.T) {
	s := newStore(t)
	upper := 40.0
	for i, r := range []at{
		{build: "2.4.0", serial: "T4-1", value: 36}, {build: "2.4.0", serial: "T4-1", value: 30}, {build: "2.4.0", serial: "T4-1", connector: 2, value: 35},
		{build: "2.5.0", serial: "T4-1", value: 34}, {build: "2.4.0", serial: "T4-9", real: true, value: 33},
	} {
		r.bench, r.upper, r.minute = "bench-1", &upper, i
		s.reading(r)
	}
	found, err := Capabilities(t.Context(), s.pool, ReadingFilter{Simulated: true})
	if err != nil || len(found) != 2 || !slices.Equal(found[0].Values(), []float64{4, 5}) || !slices.Equal(found[1].Values(), []float64{6}) || found[1].Build != "2.5.0" {
		t.Errorf("%+v, %v", found, err)
	}
	real, err := Capabilities(t.Context(), s.pool, ReadingFilter{})
	if err != nil || len(real) != 1 || real[0].Readings[0].Serial != "T4-9" {
		t.Errorf("%+v, %v", real, err)
	}
	if least := LeastCapable(found); len(least) != 2 || least[0].Conditions != 1 {
		t.Errorf("limits of different builds were taken together: %+v", least)
	}
	if some, err := Capabilities(t.Context(), s.pool, ReadingFilter{Simulated: true, Condition: found[0].Condition, Build: "2.4.0", Connector: 2}); err != nil || len(some) != 1 || len(some[0].Readings) != 1 {
		t.Errorf("by condition and connector: %+v, %v", some, err)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.2: ten batches with mean 50.81, limits 55.8041
// and 45.8159, mean moving range 1.8778.
func TestChartGivesThePublishedLimits(t *testing.T) {
	s := newStore(t)
	lower, upper := 0.0, 100.0
	s.series([]float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}, &lower, &upper)
	c, err := ChartFigure(t.Context(), s.pool, ReadingFilter{Simulated: true, Clause: "6.2"})
	if err != nil || !c.Provisional || len(c.Signals) != 0 {
		t.Fatalf("%+v, %v", c, err)
	}
	near(t, "centre", c.Chart.Centre, 50.81, 5e-5)
	near(t, "upper", c.Chart.Upper, 55.8041, 5e-5)
	near(t, "lower", c.Chart.Lower, 45.8159, 5e-5)
	near(t, "mean range", c.Ranges.Centre, 1.8778, 5e-5)
}

func TestChartRefusals(t *testing.T) {
	s := newStore(t)
	upper := 40.0
	refuses := func(f ReadingFilter, want string) {
		t.Helper()
		f.Simulated = true
		_, err := ChartFigure(t.Context(), s.pool, f)
		var refused *RefusedError
		if !errors.As(err, &refused) || !strings.Contains(refused.Reason, want) {
			t.Errorf("%+v: %v, want %q", f, err, want)
		}
	}
	refuses(ReadingFilter{}, "nothing was measured")
	s.series([]float64{37, 37, 37, 37, 37, 37, 37}, nil, &upper)
	refuses(ReadingFilter{}, "7 readings, it takes at least 8")
	s.reading(at{build: "2.5.0", serial: "T4-001", bench: "bench-1", value: 37, upper: &upper, minute: 99})
	refuses(ReadingFilter{}, "all 8 readings are equal")
	s.finish(s.run(s.campaign("2.5.0", "plan", true), "T4-001", "RU-T4", 1, 1), "done", caseOf("a", 1, "6.6.4", 1, 2))
	refuses(ReadingFilter{}, "3 figures fit; choose one clause: 6.2 | 6.6.4")
	refuses(ReadingFilter{Clause: "6.6.4"}, "choose one requirement: 6.6.4/1 | 6.6.4/2")
}

// Figures of the metrology sheet 1.5: N(0,4) read with 1 against ±8, published
// 0.008 and 0.015; N(0,1) with 0.5 against ±2, accepting ±1.82, which is a guard
// band of 0.18 U, published 0.008 and 0.066; N(0,0.12) with 0.04 against ±0.2.
func TestRisksAreThePublishedOnes(t *testing.T) {
	guarded := func(r float64) []conformance.DecisionRule {
		return []conformance.DecisionRule{{Name: conformance.Simple}, {Name: conformance.Guarded, GuardBandFactor: r}}
	}
	within := func(x float64) conformance.Interval { return conformance.Interval{Low: -x, High: x} }
	for _, c := range []struct {
		p                  Production
		rules              []conformance.DecisionRule
		rule               int
		consumer, producer float64
		digits             float64
	}{
		{Production{SD: 4, Standard: 1, Tolerance: within(8)}, guarded(1), 0, 0.00800608, 0.0148509, 5e-8},
		{Production{SD: 1, Standard: 0.5, Tolerance: within(2)}, guarded(0.18), 1, 0.00805161, 0.0661065, 5e-8},
		{Production{SD: 0.12, Standard: 0.04, Tolerance: within(0.2)}, guarded(1), 0, 0.0189422, 0.0372078, 5e-8},
		{Production{SD: 0.12, Standard: 0.04, Tolerance: within(0.2)}, guarded(1), 1, 0.000468634, 0.247670, 5e-7},
	} {
		r, err := RiskOf(c.p, c.rules, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "consumer", r.Rules[c.rule].Consumer, c.consumer, c.digits)
		near(t, "producer", r.Rules[c.rule].Producer, c.producer, c.digits)
		at, err := RiskOf(c.p, []conformance.DecisionRule{{Name: conformance.Guarded, GuardBandFactor: r.Band / (2 * c.p.Standard)}}, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "risk with the band found for one in a thousand", at.Rules[0].Consumer, 0.001, 1e-9)
	}
}

// Metrology sheet 1.7: 50 decisions each wrong with 0.0228 are wrong at least
// once with 0.68437.
func TestGoodUnitsFailAtOneOfMany(t *testing.T) {
	rule := conformance.RuleRisk{GlobalRisks: conformance.GlobalRisks{Nonconforming: 0.5, Producer: 0.0228 / 2}}
	near(t, "50 figures", ProductionRisk{}.GoodUnitRejected(rule, 50), 0.68437, 5e-6)
	near(t, "one figure", ProductionRisk{}.GoodUnitRejected(rule, 1), 0.0228, 1e-12)
}

// Metrology sheet 3.7: to see 98 % become 95 % takes 586 units of each build.
func TestRemarkSaysHowManyUnitsItTakes(t *testing.T) {
	d := YieldDifference{UnitsA: 100, PassedA: 98, UnitsB: 100, PassedB: 95, Pairs: 100, Worse: 3, PairedP: 0.25}
	if r := d.Remark(); !strings.Contains(r, "yields of 98 % and 95 % differ takes 586 units of each build") {
		t.Errorf("remark %q", r)
	}
	d.PassedA = 100
	if r := d.Remark(); strings.Contains(r, "differ takes") {
		t.Errorf("remark %q: nothing can be said of 100 %%", r)
	}
}
