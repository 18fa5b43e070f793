package jobs

import (
	"strings"
	"testing"
	"time"

	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/results"
)

// configurationPlan measures one carrier, and two with a gap between them.
const configurationPlan = `plan: configurations
carriers:
  - {band: n78, bandwidth: 100MHz, scs: 30kHz}
configurations:
  - {name: wide-gap, band: n78, carriers: [{bandwidth: 100MHz, scs: 30kHz}, {bandwidth: 100MHz, scs: 30kHz}], gaps: [60MHz]}
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.3, rf_channels: [M], connectors: [1], configurations: [wide-gap]}
`

// Several carriers go from the plan over the wire into the tables, and one
// carrier before them leaves nothing behind.
func TestSeveralCarriersAreMeasured(t *testing.T) {
	b := newTestBed(t, 1, nil)
	runs := b.submit(configurationPlan, "T4-0002")
	b.start("a", nil)
	run := b.await(runs["T4-0002"])
	if run.State != Done || run.Verdict != conformance.Pass || run.CasesDone != 3 {
		t.Fatalf("run %+v", run)
	}
	cases, err := results.RunCases(t.Context(), b.pool, run.ID)
	if err != nil || len(cases) != 3 {
		t.Fatalf("stored cases %d, %v", len(cases), err)
	}
	if c := cases[0]; c.Configuration != "" || c.Carriers != nil || len(c.Results) != 1 {
		t.Errorf("one carrier: %+v", c.Case)
	}
	power := cases[1]
	if power.Configuration != "wide-gap" || len(power.Carriers) != 2 || float64(power.Carriers[0].Center) != power.CarrierHz || len(power.Results) != 2 {
		t.Fatalf("two carriers: %+v", power.Case)
	}
	for _, r := range power.Results { // 37 dBm shared by two, a test requirement of 3 dB to either side
		if r.Value < 33 || r.Value > 35 || *r.Upper < 36.98 || *r.Upper > 37 {
			t.Errorf("%s: %g dBm, limit %g", r.Requirement.Key, r.Value, *r.Upper)
		}
	}
	gaps := 0
	for _, r := range cases[2].Results {
		if strings.Contains(r.Requirement.Key, "/gap1/") {
			gaps++
		}
	}
	if gaps != 4 { // T6.6.3.2-2a and -3: both rows of wide carriers from both edges
		t.Errorf("%d ratios in the gap", gaps)
	}
	b.mustBeClean()
	// The stored traces give the same figures without a bench.
	j, err := AskJudgement(t.Context(), b.pool, Rejudge{All: true, Reason: "the same again", By: "ann", Queue: true})
	if err != nil {
		t.Fatal(err)
	}
	within(t, time.Minute, "the end of the judgement", func() bool {
		j = judgement(t, b.pool, j.ID)
		return j.Ended()
	})
	if j.Done != 1 || j.Changed != 0 {
		t.Errorf("judged again: %+v", j)
	}
}

// Carriers of a configuration have a subcarrier spacing each.
func TestCarriersOfSeveralSpacingsAreMeasured(t *testing.T) {
	b := newTestBed(t, 1, nil)
	inventory := strings.Replace(string(b.lab.Inventory()), "bandwidths: [100 MHz], scs: [30 kHz]", "bandwidths: [40 MHz, 100 MHz], scs: [15 kHz, 30 kHz]", 1)
	if _, changed, err := lab.Apply(t.Context(), b.pool, "lab.yaml", []byte(inventory), "ann"); err != nil || !changed {
		t.Fatal(changed, err)
	}
	runs := b.submit(`plan: spacings
configurations:
  - {name: mixed, band: n78, carriers: [{bandwidth: 40MHz, scs: 15kHz}, {bandwidth: 100MHz, scs: 30kHz}], gaps: [25MHz]}
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.3, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.4, rf_channels: [M], connectors: [1]}
`, "T4-0002")
	b.start("a", nil)
	run := b.await(runs["T4-0002"])
	if run.State != Done || run.Verdict != conformance.Pass || run.CasesDone != 3 {
		t.Fatalf("run %+v", run)
	}
	cases, err := results.RunCases(t.Context(), b.pool, run.ID)
	if err != nil || len(cases) != 3 {
		t.Fatalf("stored cases %d, %v", len(cases), err)
	}
	for _, c := range cases {
		if len(c.Carriers) != 2 || c.Carriers[0].SCS != 15e3 || c.Carriers[1].SCS != 30e3 {
			t.Errorf("%s: %+v", c.Key, c.Carriers)
		}
	}
	b.mustBeClean()
}
