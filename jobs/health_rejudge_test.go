package jobs

import (
	"bytes"
	"slices"
	"testing"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"

	"github.com/google/uuid"
)

// Every test of transceiver health judged again from what is stored: traces with the
// clock and the supply that stand beside them, and limits of the stored plan. The
// verdicts are the same to the last byte, a failed one among them.
func TestHealthJudgedAgainIsTheSame(t *testing.T) {
	const document = `plan: health
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - clause: health.tone
    rf_channels: [M]
    connectors: [1]
    health: {before: {image: -30dB}, after: {leakage: -45dB, image: -80dB}, settle: 60s}
  - clause: health.flatness
    rf_channels: [M]
    connectors: [1]
    health: {places: 3, flatness: 1.5dB}
  - clause: health.linearity
    rf_channels: [M]
    connectors: [1]
    health: {attenuation: 8dB, step: 4dB, slope_error: 0.05, deviation: 0.5dB}
  - clause: health.output
    rf_channels: [M]
    connectors: [1]
    health: {attenuation: 3dB, step: 3dB, leakage_ratio: 40dB, efficiency: 2}
`
	b := newTestBed(t, 1, func(c *sim.Config) { // a unit that tracks by itself cannot be seen before
		c.Types = slices.Clone(c.Types)
		for i := range c.Types {
			c.Types[i].SelfTuning = false
		}
	})
	a := b.start("a", nil)
	m := &measuredLab{b, b.submit(document, "T4-0001")}
	run := b.await(m.runs["T4-0001"])
	b.stop(a)
	if run.State != Done || run.Verdict != conformance.Fail { // the image after tracking
		t.Fatalf("the run ended %s, verdict %q, %s", run.State, run.Verdict, run.Error)
	}
	before := m.verdicts(run.ID)
	m.holdObservations(run.ID)

	j := m.again(Rejudge{All: true})
	if j.Done != 1 || j.Errors != 0 || j.Changed != 0 || j.RunsChanged != 0 || j.Figures != 9 {
		t.Errorf("judged again: %+v", j)
	}
	if again := m.verdictsAgain(j.ID, run.ID); !bytes.Equal(again, before) || len(again) < 1000 {
		t.Errorf("judged again\n%s\nwas\n%s", again, before)
	}
	if now := m.verdicts(run.ID); !bytes.Equal(now, before) {
		t.Errorf("the first verdicts were changed:\n%s\nwas\n%s", now, before)
	}
}

// holdObservations holds that settling and efficiency of a run rest on stored
// traces that carry a clock or a supply.
func (m *measuredLab) holdObservations(run uuid.UUID) {
	m.t.Helper()
	evidence, err := results.EvidenceOf(m.t.Context(), m.pool, nil, run)
	if err != nil {
		m.t.Fatal(err)
	}
	clocks, supplies := 0, 0
	for _, e := range evidence {
		for _, trace := range e.Traces {
			if u := trace.Unit; u != nil && u.Clock == conformance.RadioUnitClock && u.To > u.From {
				clocks++
			} else if u != nil && u.Volts*u.Amps > 0 {
				supplies++
			}
		}
	}
	if clocks < 2 || supplies < 2 {
		m.t.Errorf("%d traces with a clock, %d with a supply: want some of both", clocks, supplies)
	}
}
