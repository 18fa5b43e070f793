package instruments_test

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/analyzer"
	"benchyard/instruments/scpi"
)

// TestSweepsCancelledAtAnyMoment takes turns between a sweep over the carrier
// and one beside it, most of them given up somewhere, some of them preset behind
// the driver's back: no trace may be that of the other.
func TestSweepsCancelledAtAnyMoment(t *testing.T) {
	lab := start(t, 100) // a sweep of 20 times 50 ms takes 10 ms
	a := driver[*analyzer.Analyzer](t, lab, "bench-1-analyzer", instruments.Analyzer, scpi.Config{})
	do(t, a.Prepare)
	transmitting(t, lab)
	beside := around
	beside.Start, beside.Stop = 2200e6, 2230e6
	random, taken := rand.New(rand.NewPCG(5, 0)), 0
	for i := range 60 {
		sweep, carrier := around, i%2 == 0
		if !carrier {
			sweep = beside
		}
		if i%10 == 9 {
			err := a.Session().Command(t.Context(), "*RST")
			if errors.Is(err, scpi.ErrRestarted) { // said once: *ESR? was read by a sweep that was given up then
				err = a.Session().Command(t.Context(), "*RST")
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		limit := time.Duration(random.IntN(40)) * time.Millisecond
		if i%7 == 3 {
			limit = time.Hour // not given up, however busy the machine is
		}
		ctx, cancel := context.WithTimeout(t.Context(), limit)
		trace, err := a.Sweep(ctx, sweep)
		cancel()
		switch {
		case err == nil:
			taken++
			// The carrier stands at 46 dBm - 50 dB, 23 dB less in 100 kHz; beside it nothing does.
			if level := slices.Max(trace.Levels); (level > -40) != carrier || trace.Start != sweep.Start {
				t.Fatalf("sweep %d over the carrier %t: greatest level %.1f dBm from %s", i, carrier, level, trace.Start)
			}
		case errors.Is(err, context.DeadlineExceeded):
		default: // as after *RST: the settings are others, or the trace no block
			do(t, a.Prepare)
		}
	}
	if taken < 5 {
		t.Errorf("only %d sweeps of 60 were taken", taken)
	}
	do(t, a.Protect)
}
