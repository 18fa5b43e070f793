package jobs

import (
	"os"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
)

// ungated gives the analyzer of an inventory's bench-1 a dialect without gated sweep.
func ungated(t *testing.T, text []byte, analyzer string) []byte {
	t.Helper()
	const dialects = "dialects:\n  - {name: no-gate, role: analyzer, inherits: SCPI-1999, commands: {gate_on: {unsupported: true}, gate_off: {unsupported: true}}}\n"
	changed := strings.Replace(string(text), "name: "+analyzer+"\n", "name: "+analyzer+"\n    dialect: no-gate\n", 1)
	if with := strings.Replace(changed, "dialects:\n", dialects, 1); with != changed {
		changed = with
	} else {
		changed = dialects + changed
	}
	if strings.Count(changed, "no-gate") != 2 {
		t.Fatalf("%s has no analyzer %s:\n%s", t.Name(), analyzer, text)
	}
	return []byte(changed)
}

// A carrier of a TDD band is refused where the analyzer has no gate, whatever the
// clause; one of an FDD band is not.
func TestTDDNeedsAGate(t *testing.T) {
	const dir = "../testdata/lab/good"
	text, err := os.ReadFile(dir + "/two-benches.yaml")
	if err != nil {
		t.Fatal(err)
	}
	with, _, err := lab.ParseIn(os.DirFS(dir), "lab.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	without, _, err := lab.ParseIn(os.DirFS(dir), "lab.yaml", ungated(t, text, "sa-1"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		band, clause string
		lab          *lab.Lab
		refused      bool
	}{
		{"n78", conformance.OutputPowerClause, with, false}, {"n78", conformance.OutputPowerClause, without, true},
		{"n78", conformance.SpuriousEmissionsClause, without, true}, {"n1", conformance.OutputPowerClause, without, false}, // n1 is FDD (TS 38.104 table 5.2-1)
	} {
		m := mountedT2(t, 30)
		carrier, err := conformance.Place(c.band, conformance.Middle, 40e6, 30e3)
		if err != nil {
			t.Fatal(err)
		}
		problems := strings.Join(m.check([]plan.Case{{Clause: c.clause, Carrier: carrier, Connector: 1}}, c.lab), "\n")
		if !c.refused && problems != "" || c.refused && strings.Count(problems, "dialect no-gate of sa-1 has no gated sweep (gate_on)") != 1 {
			t.Errorf("%s of %s: %s", c.clause, c.band, problems)
		}
	}
}

// An analyzer that lost its gate after the campaign was queued ends the run before
// anything is switched on.
func TestRunWithoutAGateEndsAtPreflight(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", ungated(t, b.lab.Inventory(), "bench-1-analyzer"), "ann"); err != nil {
		t.Fatal(err)
	}
	b.start("a", nil)
	r := b.await(id)
	if r.Verdict != conformance.ErrorVerdict || !strings.Contains(r.Error, "preflight") || !strings.Contains(r.Error, "no-gate of bench-1-analyzer has no gated sweep") {
		t.Errorf("%+v", r)
	}
	if on := b.journal.since(t, 0, "T4-0001", "transmit on"); len(on) > 0 {
		t.Errorf("the unit transmitted: %+v", on)
	}
	p := CheckIn(mustLoad(t, b), Submission{PlanDocument: []byte(powerPlan), Build: "2.5.0"})
	if len(p.Problems) == 0 || !strings.Contains(p.Problems[0], "band n78 is TDD") {
		t.Errorf("submitting it now: %v", p.Problems)
	}
}

func mustLoad(t *testing.T, b *testBed) *lab.Lab {
	t.Helper()
	l, _, err := lab.Load(t.Context(), b.pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	return l
}
