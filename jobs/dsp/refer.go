package dsp

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// Refer turns a trace taken with the measurement bandwidth, or nearly so, as
// resolution bandwidth into levels through a rectangular filter of the given
// bandwidth, over rising frequencies in hertz.
//
// A filter that is not rectangular is right for one kind of signal only. Noise
// reads high by noise bandwidth over bandwidth (0.271 dB through a Gaussian
// filter that is as wide, 0.186 dB low through one a tenth narrower), so that
// ratio is taken off. A line reads true, but only where a point stands
// on it; between two points half an RBW apart up to 0.753 dB is missing. Through
// a Gaussian filter a line draws a parabola in decibels, which three points
// give exactly, so its vertex is added as a point of its own.
//
// A local maximum counts as a line when the trace bends there at least half as
// sharply as the filter's own response would. Whatever lies between noise and
// line is off by no more than the two figures above.
func Refer(s rf.Spectrum, bandwidth rf.Hertz) (frequencies, levels []float64, err error) {
	if err := check(s); err != nil {
		return nil, nil, fmt.Errorf("dsp: refer: %w", err)
	}
	if !(bandwidth > 0) {
		return nil, nil, fmt.Errorf("dsp: refer: bandwidth %s is not positive", bandwidth)
	}
	noise := 10 * math.Log10(noiseBandwidth(s)/float64(bandwidth))
	sharp := lineBend(s) / 2
	n := len(s.Levels)
	frequencies, levels = make([]float64, 0, n+n/8), make([]float64, 0, n+n/8)
	for i, level := range s.Levels {
		f := float64(s.Frequency(i))
		x, vertex, ok := vertexAt(s.Levels, i, sharp)
		if ok && x < 0 {
			frequencies, levels = append(frequencies, f+x*float64(s.Step)), append(levels, vertex)
		}
		if ok && x == 0 {
			level = vertex + noise
		}
		frequencies, levels = append(frequencies, f), append(levels, level-noise)
		if ok && x > 0 {
			frequencies, levels = append(frequencies, f+x*float64(s.Step)), append(levels, vertex)
		}
	}
	return frequencies, levels, nil
}

// lineBend returns the second difference, in dB, that a line draws through a
// Gaussian filter of the trace's RBW: -2 * 10*log10(2) * (2*step/RBW)^2.
func lineBend(s rf.Spectrum) float64 {
	x := 2 * float64(s.Step/s.RBW)
	return -2 * 10 * math.Log10(2) * x * x
}

// vertexAt fits a parabola through points i-1, i, i+1 when i is a local maximum
// that bends at least as sharply as limit (negative, dB). x is the place of the
// vertex in steps from i; what is nearer than a millionth of a step is on the
// point, for such a frequency could not be told from that of the point.
func vertexAt(levels []float64, i int, limit float64) (x, level float64, ok bool) {
	if i == 0 || i == len(levels)-1 {
		return 0, 0, false
	}
	a, b, c := levels[i-1], levels[i], levels[i+1]
	bend := a - 2*b + c
	if b < a || b <= c || bend > limit {
		return 0, 0, false
	}
	x = (a - c) / (2 * bend)
	if math.Abs(x) < 1e-6 {
		return 0, b, true
	}
	return x, b - (a-c)*x/4, true
}
