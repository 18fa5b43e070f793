package dsp

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// ChannelPower returns the mean power of s between r.Low and r.High:
//
//	P = sum(p_i * overlap_i) / noise bandwidth
//
// with p_i in milliwatts and overlap_i the part of the bin of point i that lies
// inside r, in hertz. The edges of r need not meet the grid.
//
// Errors: a trace that does not validate, ErrCoverage, and ErrFewPoints when
// fewer than FewestPoints bins touch r. Source: channel power by integration of
// a trace with the noise bandwidth of the filter, trade practice.
func ChannelPower(s rf.Spectrum, r rf.Range) (rf.DBm, error) {
	if err := check(s); err != nil {
		return 0, fmt.Errorf("dsp: channel power: %w", err)
	}
	if err := cover(s, r); err != nil {
		return 0, err
	}
	low := float64(r.Low-s.Start)/float64(s.Step) + 0.5 // in bins from the edge of the first
	high := float64(r.High-s.Start)/float64(s.Step) + 0.5
	first, last := max(int(math.Floor(low+1e-6)), 0), min(int(math.Ceil(high-1e-6)), len(s.Levels))
	if last-first < FewestPoints {
		return 0, fmt.Errorf("dsp: %w: %d between %s and %s, want at least %d", ErrFewPoints, last-first, r.Low, r.High, FewestPoints)
	}
	sum := 0.0
	for i := first; i < last; i++ {
		overlap := min(high, float64(i+1)) - max(low, float64(i))
		sum += milliwatts(s.Levels[i]) * overlap
	}
	return rf.FromMilliwatts(sum * float64(s.Step) / noiseBandwidth(s)), nil
}

// LeakageRatio returns the ratio of the power in own to the power in adjacent,
// positive when the carrier is the stronger, and the carrier power itself. Both
// are taken from one trace (TS 38.104 6.6.3.1: mean power through square
// filters on the assigned and on the adjacent channel).
func LeakageRatio(s rf.Spectrum, own, adjacent rf.Range) (rf.DB, rf.DBm, error) {
	carrier, err := ChannelPower(s, own)
	if err != nil {
		return 0, 0, fmt.Errorf("dsp: own channel: %w", err)
	}
	leak, err := ChannelPower(s, adjacent)
	if err != nil {
		return 0, 0, fmt.Errorf("dsp: adjacent channel: %w", err)
	}
	return carrier.Sub(leak), carrier, nil
}

// Average returns the power average of traces taken over the same points with
// the same filter. Levels are averaged in milliwatts; averaging the decibels of
// noise would read 2.51 dB low.
func Average(traces ...rf.Spectrum) (rf.Spectrum, error) {
	if len(traces) == 0 {
		return rf.Spectrum{}, fmt.Errorf("dsp: average of no traces")
	}
	out := traces[0]
	sum := make([]float64, len(out.Levels))
	for i, t := range traces {
		if err := check(t); err != nil {
			return rf.Spectrum{}, fmt.Errorf("dsp: average: trace %d: %w", i+1, err)
		}
		if t.Start != out.Start || t.Step != out.Step || t.RBW != out.RBW || len(t.Levels) != len(sum) {
			return rf.Spectrum{}, fmt.Errorf("dsp: average: trace %d stands on other points or another filter than the first", i+1)
		}
		for k, level := range t.Levels {
			sum[k] += milliwatts(level)
		}
	}
	for k := range sum {
		sum[k] = float64(rf.FromMilliwatts(sum[k] / float64(len(traces))))
	}
	out.Levels = sum
	return out, nil
}
