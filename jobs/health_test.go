package jobs

import (
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
)

// A unit whose rails differ by 0.1 dB and 1 degree for
// good, which no calibration takes away: an image 39.61 dB below the tone (waveform
// facts 5.1) before and after, and leakage of -40 dB over full scale, 34 dB below
// a tone at -6 dB. Just what is limited tighter than that fails.
func TestHealthFindsTheDefect(t *testing.T) {
	const document = `plan: modulator
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - clause: health.tone
    rf_channels: [M]
    connectors: [1]
    health: {level: -6dB, after: {leakage: -30dB, image: -45dB, third: -50dB}}
`
	b := newTestBed(t, 1, func(c *sim.Config) {
		c.Units[0].Impairments = &sim.Impairments{Gain: 0.1, Phase: 1, Leakage: -40, Lasting: true}
	})
	b.start("agent", nil)
	run := b.await(b.submit(document, "T4-0001")["T4-0001"])
	if run.State != Done || run.Verdict != conformance.Fail {
		t.Fatalf("the run ended %s, verdict %q, %s", run.State, run.Verdict, run.Error)
	}
	figures, err := results.Figures(t.Context(), b.pool, results.Filter{Run: run.ID})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]float64{"health.tone/after/image": -39.61, "health.tone/after/leakage": -34}
	for _, f := range figures {
		key := f.Result.Requirement.Key
		if w, ok := want[key]; ok && math.Abs(f.Result.Value-w) > 0.2 {
			t.Errorf("%s is %.2f dB, closed form %.2f dB", key, f.Result.Value, w)
		}
		if fails := key == "health.tone/after/image"; fails != (f.Result.Verdict == conformance.Fail) {
			t.Errorf("%s: %.2f dB is a %s", key, f.Result.Value, f.Result.Verdict)
		}
		if f.Result.Requirement.CoreSource != "plan modulator" {
			t.Errorf("%s: limit from %q", key, f.Result.Requirement.CoreSource)
		}
	}
	if len(figures) != 3 {
		t.Errorf("%d figures, want 3", len(figures))
	}
	b.mustBeClean()
}

// An interlock that refuses in the middle of a health test is a failure of the bench,
// as it is before any other transmission: nothing else is tried there.
func TestHealthAsksTheInterlocks(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(thenPower("health.tone, health: {after: {image: -40dB}}", 1), "T4-0001")["T4-0001"]
	w := &tripwire{Handler: slog.DiscardHandler, step: "stage", atOnce: true, act: b.anotherPath}
	b.start("a", func(o *AgentOptions) { o.Logger = slog.New(w) })
	if r := b.await(id); r.State != Error || !strings.Contains(r.Error, "nothing may transmit") || r.Clauses["6.2"].Verdict == conformance.Pass {
		t.Errorf("run %+v", r)
	}
	if n := len(b.journal.since(t, 0, "T4-0001", "transmit on")); n != 1 {
		t.Errorf("it was on the air %d times, want once: when the case was tuned", n)
	}
	b.mustBeClean()
}

// thenPower has one segment with a health test, and one with the output power at a
// connector in another channel.
func thenPower(health string, connector int) string {
	return fmt.Sprintf(`plan: health-then-power
retries: 0
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: %s, rf_channels: [B], connectors: [1]}
  - {clause: 6.2, rf_channels: [T], connectors: [%d]}
`, health, connector)
}

// Whatever a health test had set when an error ended it, a tone, attenuation, other
// connectors off: the bring-up of the next case takes it back.
func TestBringUpFromTheMiddleOfAHealthTest(t *testing.T) {
	for _, c := range []struct {
		health    string
		connector int
		left      string // in the step that sets it
	}{
		{"health.tone, health: {level: -12dB, after: {image: -40dB}}", 1, "tone of -12"},
		{"health.output, health: {leakage_ratio: 20dB}", 2, "other connectors off"},
	} {
		t.Run(c.left, func(t *testing.T) {
			b := newTestBed(t, 1, nil)
			id := b.submit(thenPower(c.health, c.connector), "T4-0001")["T4-0001"]
			// The second transmission is that of the stage: the sweep after it fails.
			w := &tripwire{Handler: slog.DiscardHandler, step: "transmit", skip: 1, atOnce: true, act: func() { b.inject("bench-1-analyzer", sim.Drop) }}
			b.start("a", func(o *AgentOptions) { o.Logger = slog.New(w) })
			r := b.await(id)
			if power := r.Clauses["6.2"]; power.Verdict != conformance.Pass {
				t.Errorf("power after it: %+v, %s", power, r.Error)
			}
			steps, err := StepsOf(t.Context(), b.pool, id)
			if err != nil || !slices.ContainsFunc(steps, func(s RunStep) bool { return s.Name == "stage" && strings.Contains(s.Detail, c.left) }) {
				t.Errorf("no step says %q, %v", c.left, err)
			}
			if n := b.count(`SELECT count(*) FROM measured_case WHERE run_id = $1 AND verdict = 'error' AND clause LIKE 'health.%'`, id); n != 1 {
				t.Errorf("%d health cases ended as errors, want 1", n)
			}
			b.mustBeClean()
		})
	}
}
