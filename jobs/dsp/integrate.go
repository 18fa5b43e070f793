package dsp

import (
	"fmt"
	"math"
	"sort"

	"benchyard/instruments/rf"
)

// Integrate widens the resolution filter of s to a rectangular filter of the
// given bandwidth and steps it over the centres, in hertz: element i of the
// answer is the level in dBm between centres[i]-bandwidth/2 and
// centres[i]+bandwidth/2 (TS 38.104 6.6.4.2.5: a resolution bandwidth smaller
// than the measurement bandwidth is integrated).
//
// One running sum serves all centres, so the work grows with points plus
// centres; the sum carries its own rounding error along, so a window 100 dB
// under the rest of the trace is still exact to 1e-9 dB.
//
// Errors: a trace that does not validate, ErrCoverage for a window that sticks
// out of it, ErrFewPoints when the bandwidth spans fewer than two steps, and a
// window more than some 300 dB down, whose power is lost.
func Integrate(s rf.Spectrum, bandwidth rf.Hertz, centres []float64) ([]float64, error) {
	if err := check(s); err != nil {
		return nil, fmt.Errorf("dsp: integrate: %w", err)
	}
	if bandwidth < 2*s.Step {
		return nil, fmt.Errorf("dsp: integrate: %w: a bandwidth of %s holds fewer than two steps of %s", ErrFewPoints, bandwidth, s.Step)
	}
	c := stairs(s)
	scale := float64(s.Step) / noiseBandwidth(s)
	levels := make([]float64, len(centres))
	half := float64(bandwidth) / 2
	for i, f := range centres {
		if err := cover(s, rf.Range{Low: rf.Hertz(f - half), High: rf.Hertz(f + half)}); err != nil {
			return nil, fmt.Errorf("dsp: integrate: filter at %s: %w", rf.Hertz(f), err)
		}
		p := c.between(f-half, f+half)
		if !(p > 0) {
			return nil, fmt.Errorf("dsp: integrate: filter at %s: power is lost under the rest of the trace", rf.Hertz(f))
		}
		levels[i] = 10 * math.Log10(p*scale)
	}
	return levels, nil
}

// Centres returns filter centres from r.Low to r.High, both included, spaced
// evenly and no further apart than step. An empty or inverted range gives its
// low end alone.
func Centres(r rf.Range, step rf.Hertz) []float64 {
	if !(r.Width() > 0) || !(step > 0) {
		return []float64{float64(r.Low)}
	}
	n := int(math.Ceil(float64(r.Width()/step) - 1e-9))
	out := make([]float64, n+1)
	for i := range out {
		out[i] = float64(r.Low) + float64(r.Width())*float64(i)/float64(n)
	}
	out[n] = float64(r.High)
	return out
}

// Peak returns the strongest point of s with a frequency inside r, or ErrCoverage
// when none has.
func Peak(s rf.Spectrum, r rf.Range) (rf.Hertz, rf.DBm, error) {
	if err := check(s); err != nil {
		return 0, 0, fmt.Errorf("dsp: peak: %w", err)
	}
	first := sort.Search(len(s.Levels), func(i int) bool { return s.Frequency(i) >= r.Low })
	best := -1
	for i := first; i < len(s.Levels) && s.Frequency(i) <= r.High; i++ {
		if best < 0 || s.Levels[i] > s.Levels[best] {
			best = i
		}
	}
	if best < 0 {
		return 0, 0, fmt.Errorf("dsp: peak: %w: no point between %s and %s", ErrCoverage, r.Low, r.High)
	}
	return s.Frequency(best), rf.DBm(s.Levels[best]), nil
}
