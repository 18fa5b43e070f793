package jobs

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"

	"github.com/google/uuid"
)

// floorPlan measures on two connectors, so that the unit has to be on the air
// again after its noise floor was measured.
const floorPlan = `plan: floor
noise_floor: correct
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1, 2], noise_floor: keep}
  - {clause: 6.6.2, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.3, rf_channels: [M], connectors: [1, 2]}
  - {clause: 6.6.4, rf_channels: [M], connectors: [1, 2]}
  - {clause: 6.6.5, rf_channels: [M], connectors: [2]}
`

// deaf gives the bench an analyzer that makes fifty times the noise, and the
// unit time to get warm between two sweeps.
func deaf(c *sim.Config) { c.Benches[0].NoiseDBm, c.Speed = -141, 2000 }

// deafLab is a lab in which floorPlan was measured on such a bench.
func deafLab(t *testing.T) (*measuredLab, uuid.UUID) {
	t.Helper()
	b := newTestBed(t, 1, deaf)
	m := &measuredLab{b, b.submit(floorPlan, "T4-0001")}
	a := b.start("a", nil)
	r := b.await(m.runs["T4-0001"])
	b.stop(a)
	if r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 8 {
		t.Fatalf("%+v", r)
	}
	return m, r.ID
}

// A noisy analyzer reads emissions high. With its noise taken out they come
// nearer to what the unit transmits by the closed form of the simulator, with
// more uncertainty, and the note says what was done.
func TestNoiseFloorIsTakenOutOfARun(t *testing.T) {
	m, id := deafLab(t)
	l, _, err := lab.Load(t.Context(), m.pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	place, err := findMount(l, "T4-0001")
	if err != nil {
		t.Fatal(err)
	}
	cases, err := results.RunCases(t.Context(), m.pool, id)
	if err != nil {
		t.Fatal(err)
	}
	corrected := map[string]int{}
	for _, c := range cases {
		corrected[c.Clause] += m.compareWithTruth(m.restore(place, c), place.kind.RatedPower)
	}
	// Two neighbours on two sides, six stretches of the mask, of two connectors;
	// second neighbours stand too near to the floor.
	if corrected["6.6.3"] != 4 || corrected["6.6.4"] != 12 || corrected["6.2"]+corrected["6.6.2"] != 0 {
		t.Errorf("figures corrected: %v", corrected)
	}
	// As often as without: when connectors change and at the end.
	for _, kind := range []string{"transmit on", "transmit off"} {
		times := slices.DeleteFunc(m.journal.since(t, 0, "T4-0001", kind), func(e sim.JournalEntry) bool { return e.Detail == "already" })
		if len(times) != 2 {
			t.Errorf("%s: %+v", kind, times)
		}
	}
	m.mustBeClean()
}

// compareWithTruth holds the figures of a case against those of the same traces
// without the floor, and both against the truth. It returns how many differ.
func (m *measuredLab) compareWithTruth(c storedCase, rated rf.DBm) (corrected int) {
	m.t.Helper()
	x, err := m.lab.Expect(sim.Condition{Serial: "T4-0001", Build: "2.4.0", Connector: c.Connector, Carrier: sim.Carrier{
		Center: rf.Hertz(c.CarrierHz), Bandwidth: rf.Hertz(c.BandwidthHz), SCS: rf.Hertz(c.SCSHz), Power: rated}})
	if err != nil {
		m.t.Fatal(err)
	}
	levels := slices.DeleteFunc(slices.Clone(c.traces), func(t procedure.Trace) bool { return strings.HasPrefix(t.Role, "floor/") })
	raw, err := judge(c.Clause, c.setup, levels, conformance.DecisionRule{Name: conformance.SharedRisk})
	if err != nil {
		m.t.Fatal(err)
	}
	off := func(r conformance.Result) float64 {
		level := float64(x.Power(r.At, r.Requirement.MeasurementBandwidth))
		if r.Requirement.Alternative != nil {
			level = float64(x.CarrierPower()) - level
		}
		return math.Abs(r.Value - level)
	}
	wanted := c.Clause != "6.2" && c.Clause != "6.6.2"
	if twice := len(c.traces) == 2*len(levels); twice != wanted {
		m.t.Errorf("%s: %d traces, %d of them with the carrier", c.Key, len(c.traces), len(levels))
	}
	for i, was := range raw {
		r := c.Results[slices.IndexFunc(c.Results, func(r conformance.Result) bool { return r.Requirement.Key == was.Requirement.Key })]
		r.Requirement = was.Requirement // the store keeps what is shown
		switch {
		case strings.Contains(r.Note, "noise floor") != wanted || (r.Floor != nil) != wanted:
			m.t.Errorf("%s %s: note %q, %+v", c.Key, r.Requirement.Key, r.Note, r.Floor)
		case !wanted || r.Floor.Taken == 0:
			if r.Value != was.Value || r.Uncertainty != was.Uncertainty {
				m.t.Errorf("%s %s: %v, %v without correction: %s", c.Key, r.Requirement.Key, r.Value, raw[i].Value, r.Note)
			}
		case math.IsInf(off(r), 0): // nothing is transmitted there
		default:
			m.t.Logf("%s %s: off by %.2f dB, %.2f without correction; %s", c.Key, r.Requirement.Key, off(r), off(was), r.Note)
			kept := math.Abs(r.Floor.Measured-r.Floor.Floor-r.Floor.Excess) < 1e-9 && r.Floor.Excess >= 3
			if corrected++; !kept || !(off(r) < off(was)) || off(r) > 0.7 || !(r.Uncertainty > was.Uncertainty) {
				m.t.Errorf("%s %s is not better", c.Key, r.Requirement.Key)
			}
		}
	}
	return corrected
}

// Judging again corrects in the same way, to the last byte, follows another
// correction of the path, and judges nothing where the floor is missing.
func TestNoiseFloorIsTakenOutAgain(t *testing.T) {
	m, id := deafLab(t)
	j := m.again(Rejudge{Runs: []uuid.UUID{id}})
	if j.Done != 1 || j.Changed != 0 || !bytes.Equal(m.verdicts(id), m.verdictsAgain(j.ID, id)) {
		t.Errorf("%+v", j)
	}
	if !bytes.Contains(m.verdictsAgain(j.ID, id), []byte("noise floor taken off")) {
		t.Error("judged again without the floor")
	}
	if j = m.again(Rejudge{Runs: []uuid.UUID{id}, LabFile: "other.yaml", LabDocument: shifted(t, string(m.lab.Inventory()), 0.25)}); j.Done != 1 || j.Errors != 0 || j.Changed == 0 {
		t.Errorf("with another correction: %+v", j)
	}
	if _, err := m.pool.Exec(t.Context(), `DELETE FROM trace WHERE role LIKE 'floor/%'`); err != nil {
		t.Fatal(err)
	}
	j = m.again(Rejudge{Runs: []uuid.UUID{id}})
	runs, err := results.JudgementRuns(t.Context(), m.pool, j.ID)
	if err != nil || j.Errors != 1 || len(runs) != 1 || !strings.Contains(runs[0].Error, "in the noise floor") {
		t.Errorf("without the floor: %+v, %+v, %v", j, runs, err)
	}
}

// A floor that cannot be measured is an error of its case; what needed none was
// measured and stays.
func TestNoFloorIsAnErrorOfItsCase(t *testing.T) {
	t.Parallel() // it waits more than it works
	const text = `plan: floor
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.3, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.4, rf_channels: [M], connectors: [1], noise_floor: correct}
`
	b := newTestBed(t, 1, nil)
	id := b.submit(text, "T4-0001")["T4-0001"]
	b.start("a", nil)
	within(t, time.Minute, "the noise floor", func() bool { return strings.Contains(b.bench("bench-1").Doing, "noise floor of case 3") })
	b.inject("bench-1-analyzer", sim.NotANumber)
	r := b.await(id)
	if r.State != Error || r.CasesDone != 3 || r.Clauses["6.2"].Passed != 1 || r.Clauses["6.6.3"].Passed != 1 || r.Clauses["6.6.4"].Errors != 1 {
		t.Errorf("%+v", r)
	}
	b.inject("bench-1-analyzer", sim.None)
	eventually(t, "an analyzer that answers", func() bool { return b.bench("bench-1").Alarm == "" })
	b.mustBeClean()
}

// Every clause at one setting, swept twice, fits into the time of a segment.
func TestNoiseFloorFitsIntoASegment(t *testing.T) {
	b := newTestBed(t, 1, nil)
	l, _, err := lab.Load(t.Context(), b.pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Parse("plan.yaml", []byte("noise_floor: correct\n"+everyClause))
	if err != nil {
		t.Fatal(err)
	}
	place, err := findMount(l, "T4-0001")
	if err != nil {
		t.Fatal(err)
	}
	cases, err := plan.Expand(p, targetOf(place.kind))
	if err != nil || len(plan.Segments(cases)) != 1 {
		t.Fatalf("%d cases, %v", len(cases), err)
	}
	sweeping := plan.Estimate(cases, func(c plan.Case) time.Duration { return previewCase(place, c).Estimate })
	if limit := (Timings{}).withDefaults().Segment; sweeping < limit/10 || sweeping > limit/2 {
		t.Errorf("%s of sweeping in a segment that may take %s", sweeping, limit)
	}
}
