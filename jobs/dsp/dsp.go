// Package dsp turns a spectrum trace into the figures a conducted emission
// limit is written for. Every function is pure: slices in, a number or a slice
// out, the input left as it was.
//
// The concept on one screen. A trace point is the mean power through a
// resolution filter. Divided by the equivalent noise bandwidth of that filter
// it is a power density, and that density is taken to hold over one step of the
// trace: the bin from half a step below the point to half a step above it.
// Everything else is integration of that staircase between two frequencies
// that need not meet the grid; a bin cut by an edge counts with its overlap.
//
//	ChannelPower       mean power between two frequencies
//	LeakageRatio       two of them against each other
//	Integrate          a narrow filter widened to a measurement bandwidth, stepped over frequency
//	OccupiedBandwidth  where a share of the whole power lies
//	Refer              levels read directly in the measurement bandwidth, lines restored
//
// Power is summed and averaged in milliwatts, never in decibels. Noise-like
// signals and lines both come out right as long as the points stand no further
// apart than half the resolution bandwidth.
package dsp

import (
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// FewestPoints is the smallest number of trace points that may make up a
// channel; with fewer the figure rests on the edges.
const FewestPoints = 5

// ErrCoverage says that the trace does not reach all the way over the range
// asked for.
var ErrCoverage = errors.New("trace does not cover the range")

// ErrFewPoints says that too few trace points lie in the range asked for.
var ErrFewPoints = errors.New("too few trace points")

// milliwatts converts a level in dBm.
func milliwatts(dbm float64) float64 { return math.Exp(dbm * (math.Ln10 / 10)) }

// greatestLevel bounds what can be summed, in dBm either way. No receiver reads
// a thousand decibels; a number beyond it is damage, not a level.
const greatestLevel = 1000

// check reports the first reason why s cannot be summed.
func check(s rf.Spectrum) error {
	if err := s.Validate(); err != nil {
		return err
	}
	for i, level := range s.Levels {
		if math.Abs(level) > greatestLevel {
			return fmt.Errorf("trace point %d at %s is %g dBm, not a measured level", i, s.Frequency(i), level)
		}
	}
	return nil
}

// noiseBandwidth returns the equivalent noise bandwidth of the trace's filter,
// the resolution bandwidth itself when the trace does not know better.
func noiseBandwidth(s rf.Spectrum) float64 {
	if s.NoiseBandwidth > 0 {
		return float64(s.NoiseBandwidth)
	}
	return float64(s.RBW)
}

// reach is the span over which the bins of the trace hold: half a step more
// than its points at each end.
func reach(s rf.Spectrum) rf.Range {
	return rf.Range{Low: s.Start - s.Step/2, High: s.Stop() + s.Step/2}
}

// cover reports why r cannot be integrated over s: an empty range, or one that
// sticks out of the bins by more than a rounding error.
func cover(s rf.Spectrum, r rf.Range) error {
	if !(r.Width() > 0) {
		return fmt.Errorf("dsp: range from %s to %s is empty", r.Low, r.High)
	}
	have, slack := reach(s), s.Step/1e6
	if r.Low < have.Low-slack || r.High > have.High+slack {
		return fmt.Errorf("dsp: %w: bins reach from %s to %s, wanted %s to %s", ErrCoverage, have.Low, have.High, r.Low, r.High)
	}
	return nil
}

// staircase is the running sum of bin powers: the sum of the first i bins, in
// milliwatts of one step times one noise bandwidth, is total[i] + rest[i]. The
// rest is what rounding took from the total, so that the difference of two sums
// is exact even for a quiet window far under the rest of the trace.
type staircase struct {
	low, step   float64
	total, rest []float64
}

// stairs sums all bins of s.
func stairs(s rf.Spectrum) staircase {
	n := len(s.Levels)
	c := staircase{
		low:   float64(s.Start - s.Step/2),
		step:  float64(s.Step),
		total: make([]float64, n+1),
		rest:  make([]float64, n+1),
	}
	for i, level := range s.Levels {
		was, p := c.total[i], milliwatts(level)
		sum := was + p
		part := sum - was
		c.total[i+1] = sum
		c.rest[i+1] = c.rest[i] + ((was - (sum - part)) + (p - part)) // the rounding error of was + p, exactly
	}
	return c
}

// sum is the power of all bins.
func (c staircase) sum() float64 { return c.total[len(c.total)-1] + c.rest[len(c.rest)-1] }

// below returns the sum of all bins under f in its two parts, the bin that holds
// f counted with its share. Outside the staircase it is nothing, or everything.
func (c staircase) below(f float64) (total, rest float64) {
	n := len(c.total) - 1
	x := (f - c.low) / c.step
	switch {
	case x <= 0:
		return 0, 0
	case x >= float64(n):
		return c.total[n], c.rest[n]
	}
	i := int(x)
	bin := (c.total[i+1] - c.total[i]) + (c.rest[i+1] - c.rest[i])
	return c.total[i], c.rest[i] + (x-float64(i))*bin
}

// between returns the power from low to high.
func (c staircase) between(low, high float64) float64 {
	t1, r1 := c.below(high)
	t0, r0 := c.below(low)
	return (t1 - t0) + (r1 - r0)
}

// find returns the frequency under which the sum is want: straight inside the
// bin where it crosses.
func (c staircase) find(want float64) float64 {
	lo, hi := 0, len(c.total)-1
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; c.total[mid]+c.rest[mid] <= want {
			lo = mid
		} else {
			hi = mid
		}
	}
	before := c.total[lo] + c.rest[lo]
	return c.low + c.step*(float64(lo)+(want-before)/(c.total[hi]+c.rest[hi]-before))
}
