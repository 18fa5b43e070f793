package jobs

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"
)

// everyClause measures each clause once on each type of the demo lab.
const everyClause = `plan: every-clause
carriers:
  - {band: n78, bandwidth: 100MHz, scs: 30kHz}
  - {band: n1, bandwidth: 20MHz, scs: 15kHz}
tests:
  - {clause: 6.2, rf_channels: [T], connectors: [1]}
  - {clause: 6.6.2, rf_channels: [T], connectors: [1]}
  - {clause: 6.6.3, rf_channels: [T], connectors: [1]}
  - {clause: 6.6.4, rf_channels: [T], connectors: [1]}
  - {clause: 6.6.5, rf_channels: [T], connectors: [1]}
`

// storedCase is a case in the tables with all that is needed to judge it again.
type storedCase struct {
	results.StoredCase
	setup  procedure.Setup
	traces []procedure.Trace
}

// storedCases measures one unit of each demo type and reads the cases back.
func storedCases(tb testing.TB) []storedCase {
	tb.Helper()
	b := newTestBed(tb, 1, func(c *sim.Config) {
		c.Units = slices.DeleteFunc(sim.Demo(1).Units, func(u sim.UnitConfig) bool { return u.Bench != "bench-1" || u.Slot%4 != 1 })
	})
	runs := b.submit(everyClause)
	b.start("a", nil)
	l, _, err := lab.Load(tb.Context(), b.pool, 0)
	if err != nil {
		tb.Fatal(err)
	}
	var all []storedCase
	for serial, id := range runs {
		if r := b.await(id); r.Verdict != conformance.Pass {
			tb.Fatalf("%s: %+v", serial, r)
		}
		m, err := findMount(l, serial)
		if err != nil {
			tb.Fatal(err)
		}
		cases, err := results.RunCases(tb.Context(), b.pool, id)
		if err != nil {
			tb.Fatal(err)
		}
		for _, c := range cases {
			all = append(all, b.restore(m, c))
		}
	}
	if len(all) != 10 {
		tb.Fatalf("%d cases, want 5 of each type", len(all))
	}
	return all
}

// restore brings back the setup and the traces of a stored case.
func (b *testBed) restore(m *mount, c results.StoredCase) storedCase {
	b.t.Helper()
	carrier, err := conformance.Place(c.Band, c.RFChannel, rf.Hertz(c.BandwidthHz), rf.Hertz(c.SCSHz))
	if err != nil {
		b.t.Fatal(err)
	}
	s := storedCase{StoredCase: c}
	if s.setup, err = m.setup(plan.Case{Clause: c.Clause, Carrier: carrier, Connector: c.Connector}); err != nil {
		b.t.Fatal(err)
	}
	traces, err := results.Traces(b.t.Context(), b.pool, nil, c.ID)
	if err != nil {
		b.t.Fatal(err)
	}
	for _, t := range traces {
		s.traces = append(s.traces, procedure.Trace{Role: t.Role, Sweep: t.Sweep, Spectrum: t.Spectrum})
	}
	return s
}

// Stored evidence can be judged again without a bench, and gives the same figures.
func TestStoredTracesGiveTheSameResults(t *testing.T) {
	for _, c := range storedCases(t) {
		again, err := judge(c.Clause, c.setup, c.traces, conformance.DecisionRule{Name: conformance.SharedRisk})
		if err != nil || len(again) != len(c.Results) {
			t.Errorf("%s: %d results, %v; %d are stored", c.Key, len(again), err, len(c.Results))
			continue
		}
		for i, r := range again {
			// Traces come and are kept as 32-bit floats: nothing is lost between.
			was := c.Results[slices.IndexFunc(c.Results, func(x conformance.Result) bool { return x.Requirement.Key == r.Requirement.Key })]
			if math.Abs(r.Value-was.Value) > 1e-9*max(1, math.Abs(was.Value)) || r.Verdict != was.Verdict {
				t.Errorf("%s %s: %v %s again, %v %s stored", c.Key, again[i].Requirement.Key, r.Value, r.Verdict, was.Value, was.Verdict)
			}
			explained(t, c.Key, r, was)
		}
		stricter(t, c, again)
	}
}

// stricter judges stored evidence by every other rule. The demo's budgets leave
// each of them room to decide, and none that keeps away from a limit passes what
// shared risk fails, or passes what is nearer than it wants.
func stricter(t *testing.T, c storedCase, shared []conformance.Result) {
	t.Helper()
	for _, rule := range []conformance.DecisionRule{
		{Name: conformance.Simple}, {Name: conformance.Guarded, GuardBandFactor: 1}, {Name: conformance.GuardedNonBinary, GuardBandFactor: 1},
		{Name: conformance.ConformanceProbability, Probability: 0.95},
	} {
		found, err := judge(c.Clause, c.setup, c.traces, rule)
		if err != nil {
			t.Errorf("%s by %s: %v", c.Key, rule, err)
			continue
		}
		for i, r := range found {
			kept := r.Margin >= rule.GuardBandFactor*r.Uncertainty && *r.Probability >= rule.Probability
			if r.Verdict == conformance.Pass && !kept || r.Accepted() && !shared[i].Accepted() || r.Rule != rule.String() {
				t.Errorf("%s %s by %s: %s, margin %g, uncertainty %g, probability %g; by shared risk %s",
					c.Key, r.Requirement.Key, r.Rule, r.Verdict, r.Margin, r.Uncertainty, *r.Probability, shared[i].Verdict)
			}
		}
	}
}

// explained wants a stored figure to say all that it was judged by, and the demo
// lab to be better than the test system has to be: nothing is tightened there.
func explained(t *testing.T, key string, again, stored conformance.Result) {
	t.Helper()
	same := reflect.DeepEqual(again.Budget, stored.Budget) && reflect.DeepEqual(again.Correction, stored.Correction) &&
		reflect.DeepEqual(again.MaxUncertainty, stored.MaxUncertainty) && again.Tightened == stored.Tightened
	level := stored.Requirement.Unit == "dBm"
	switch {
	case !same:
		t.Errorf("%s %s: explained otherwise again:\n%+v\nstored\n%+v", key, stored.Requirement.Key, again, stored)
	case stored.Budget == nil || len(stored.Budget.Parts) < 3 || stored.Budget.Expanded != stored.Uncertainty || stored.Probability == nil:
		t.Errorf("%s %s: budget %+v, probability %v", key, stored.Requirement.Key, stored.Budget, stored.Probability)
	case level != (stored.Correction != nil) || level && !(*stored.Correction > 30):
		t.Errorf("%s %s in %s: correction %v", key, stored.Requirement.Key, stored.Requirement.Unit, stored.Correction)
	case stored.MaxUncertainty == nil || stored.Uncertainty >= *stored.MaxUncertainty || stored.Tightened != 0:
		t.Errorf("%s %s: uncertainty %g, permitted %v", key, stored.Requirement.Key, stored.Uncertainty, stored.MaxUncertainty)
	}
}

// BenchmarkJudge computes and judges the cases of both demo types again and
// again from their stored traces, every clause in its turn.
func BenchmarkJudge(b *testing.B) {
	cases := storedCases(b)
	rule := conformance.DecisionRule{Name: conformance.SharedRisk}
	i := 0
	for b.Loop() {
		c := cases[i%len(cases)]
		if _, err := judge(c.Clause, c.setup, c.traces, rule); err != nil {
			b.Fatal(err)
		}
		i++
	}
	b.ReportMetric(float64(i)/b.Elapsed().Seconds(), "cases/s")
}
