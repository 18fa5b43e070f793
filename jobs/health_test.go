package jobs

import (
	"math"
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
