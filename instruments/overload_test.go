package instruments_test

import (
	"context"
	"math"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/analyzer"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
)

// TestAnOverloadIsTakenAgainWithMoreAttenuation sweeps over a carrier that is far
// above what the mixer bears: what is returned was measured with enough
// attenuation, and reads the same as a sweep that had it from the beginning.
func TestAnOverloadIsTakenAgainWithMoreAttenuation(t *testing.T) {
	lab := start(t, 2000)
	a := driver[*analyzer.Analyzer](t, lab, "bench-1-analyzer", instruments.Analyzer, scpi.Config{Timeout: 2 * time.Second})
	do(t, a.Prepare)
	transmitting(t, lab)
	weak := n1
	weak.Power = 20
	u := driver[*radiounit.RadioUnit](t, lab, unit, instruments.RadioUnit, scpi.Config{})
	do(t, u.Mute, func(ctx context.Context) error { return u.Configure(ctx, weak) }, u.Transmit)
	if err := lab.Inject("bench-1-analyzer", sim.BypassedPad); err != nil { // some 20 dBm at the input
		t.Fatal(err)
	}
	sweep := around
	sweep.Attenuation = 40
	calm, err := a.Sweep(t.Context(), sweep)
	if err != nil || calm.Attenuation != 40 {
		t.Fatalf("taken with %s: %v", calm.Attenuation, err)
	}
	sweep.Attenuation, sweep.ReferenceLevel = 1, -10
	relieved, err := a.Sweep(t.Context(), sweep)
	if err != nil || relieved.Attenuation != 22 { // 1, 11 and 21 dB in steps of 2 dB; the peak stands 10 dB above the mean
		t.Fatalf("taken with %s: %v", relieved.Attenuation, err)
	}
	if d := channelPower(relieved, n1).Sub(channelPower(calm, n1)); math.Abs(float64(d)) > 0.1 {
		t.Errorf("the overload costs %s", d)
	}
}
