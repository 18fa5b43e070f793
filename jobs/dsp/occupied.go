package dsp

import (
	"fmt"

	"benchyard/instruments/rf"
)

// OccupiedBandwidth returns the width that holds the given share of all the
// power in the trace, and its two ends: below low and above high lies
// (1-share)/2 each. The running sum is taken to rise straight inside the bin
// where it crosses, so the figure is not bound to the grid.
//
// share lies between 0 and 1; TS 38.104 6.6.2 has 0.99. The trace must hold the
// whole signal. Floor tells whether noise in the span spoils the figure.
func OccupiedBandwidth(s rf.Spectrum, share float64) (bandwidth, low, high rf.Hertz, err error) {
	if err := check(s); err != nil {
		return 0, 0, 0, fmt.Errorf("dsp: occupied bandwidth: %w", err)
	}
	if !(share > 0 && share < 1) {
		return 0, 0, 0, fmt.Errorf("dsp: occupied bandwidth: share %v does not lie between 0 and 1", share)
	}
	if len(s.Levels) < FewestPoints {
		return 0, 0, 0, fmt.Errorf("dsp: occupied bandwidth: %w: %d, want at least %d", ErrFewPoints, len(s.Levels), FewestPoints)
	}
	c := stairs(s)
	total := c.sum()
	outside := total * (1 - share) / 2
	low, high = rf.Hertz(c.find(outside)), rf.Hertz(c.find(total-outside))
	return high - low, low, high, nil
}

// Floor estimates what in the trace is a floor rather than the signal, by the
// quieter outer edge, one twentieth of the span wide: its mean density in dBm
// per hertz, and the share of the power in the trace that a floor of that
// density over the whole span holds. The share is zero for no floor and near
// one for nothing but floor.
//
// An occupied bandwidth of 99 % needs a share below 0.001; at 0.04 (a floor
// 20 dB under a signal that fills a quarter of the span) the figure is three
// times too wide. A floor never makes it narrower.
func Floor(s rf.Spectrum) (density rf.DBm, share float64, err error) {
	if err := check(s); err != nil {
		return 0, 0, fmt.Errorf("dsp: floor: %w", err)
	}
	n := len(s.Levels)
	edge := n / 20
	if edge < FewestPoints {
		return 0, 0, fmt.Errorf("dsp: floor: %w: %d at each edge of the span, want at least %d", ErrFewPoints, edge, FewestPoints)
	}
	c := stairs(s)
	below := c.total[edge] + c.rest[edge]
	above := (c.total[n] - c.total[n-edge]) + (c.rest[n] - c.rest[n-edge])
	quiet := min(below, above) / float64(edge)
	return rf.FromMilliwatts(quiet / noiseBandwidth(s)), quiet * float64(n) / c.sum(), nil
}
