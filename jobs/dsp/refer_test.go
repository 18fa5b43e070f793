package dsp

import (
	"math"
	"testing"

	"benchyard/instruments/rf"
)

// A line keeps its level wherever it falls between two points half an RBW
// apart; without the vertex up to 0.753 dB would be missing (facts/metrology.md
// 4.10). A line on a parabola in dB is exact.
func TestReferLine(t *testing.T) {
	const rbw, step = 1e6, 0.5e6
	for _, shift := range []float64{0, 0.1, 0.25, 0.5, 0.75, 0.999} {
		at := 2e9 + (20+shift)*step
		s := line(2e9, step, 41, rbw, at, -31.5)
		frequencies, levels, err := Refer(s, s.RBW)
		if err != nil {
			t.Fatal(err)
		}
		best := 0
		for i := range levels {
			if levels[i] > levels[best] {
				best = i
			}
		}
		near(t, "level of the line", levels[best], -31.5, tolerance)
		near(t, "place of the line / MHz", frequencies[best]/1e6, at/1e6, 1e-6)
	}
}

// Noise of density D reads D*NBW through the filter and D*RBW through the
// rectangular one: 0.2713 dB less for a Gaussian filter (facts/metrology.md 4.3).
func TestReferNoise(t *testing.T) {
	s := flat(2e9, 0.5e6, 50, -70)
	s.RBW, s.NoiseBandwidth = 1e6, 1.0644670194312262e6
	frequencies, levels, err := Refer(s, s.RBW)
	if err != nil {
		t.Fatal(err)
	}
	if len(levels) != 50 || len(frequencies) != 50 {
		t.Fatalf("flat noise gave %d levels over %d frequencies, want 50", len(levels), len(frequencies))
	}
	for _, v := range levels {
		near(t, "closed form", v, -70-10*math.Log10(1.0644670194312262), tolerance)
		near(t, "fact sheet", v, -70-0.2713, 5e-5)
	}
}

// An analyzer whose filter is not quite as wide as asked passes less noise than
// the limit speaks of: D*0.9*NBW read has to become D*RBW.
func TestReferNoiseThroughAnotherFilter(t *testing.T) {
	for _, width := range []float64{0.9, 1.1} {
		s := flat(2e9, 0.4e6, 50, -70+10*math.Log10(width*1.0644670194312262))
		s.RBW, s.NoiseBandwidth = rf.Hertz(width*1e6), rf.Hertz(width*1.0644670194312262e6)
		_, levels, err := Refer(s, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "noise in 1 MHz", levels[20], -70, tolerance)
	}
	if _, _, err := Refer(flat(2e9, 0.5e6, 50, -70), 0); err == nil {
		t.Error("a bandwidth of nothing was taken")
	}
}

// A gentle maximum, such as that of a wide signal, is not a line.
func TestReferWideSignal(t *testing.T) {
	s := line(2e9, 0.5e6, 41, 1e6, 2e9+10.1e6, -30)
	s.RBW = 0.4e6 // the shape is 2.5 times as wide as the filter's own
	s.NoiseBandwidth = 0
	frequencies, _, err := Refer(s, s.RBW)
	if err != nil {
		t.Fatal(err)
	}
	if len(frequencies) != len(s.Levels) {
		t.Errorf("a wide signal gained %d points", len(frequencies)-len(s.Levels))
	}
}

// Frequencies rise whatever the trace, and no level is lost.
func FuzzRefer(f *testing.F) {
	f.Add([]byte{10, 20, 30, 20, 10, 0, 255, 0}, 0.5)
	f.Fuzz(func(t *testing.T, raw []byte, spacing float64) {
		if len(raw) < 2 || !(spacing > 1e-3 && spacing < 2) {
			return
		}
		s := rf.Spectrum{Start: 1e9, Step: rf.Hertz(spacing * 1e5), RBW: 1e5}
		for _, b := range raw {
			s.Levels = append(s.Levels, -float64(b))
		}
		frequencies, levels, err := Refer(s, s.RBW)
		if err != nil {
			t.Fatal(err)
		}
		if len(levels) != len(frequencies) || len(levels) < len(raw) {
			t.Fatalf("%d points gave %d levels over %d frequencies", len(raw), len(levels), len(frequencies))
		}
		for i := 1; i < len(frequencies); i++ {
			if !(frequencies[i] > frequencies[i-1]) {
				t.Fatalf("frequency %d does not rise: %v after %v", i, frequencies[i], frequencies[i-1])
			}
		}
	})
}

// A line whose place differs from a point by less than the frequency can tell is
// on the point: no frequency stands twice, or the series could not be judged.
func TestReferNeverRepeatsAFrequency(t *testing.T) {
	for _, dust := range []float64{0, 1e-14, -1e-14, 1e-12, -1e-12, 1e-9, 1e-7, -1e-7, 1e-3} {
		side := -10 * math.Log10(2) // half an RBW from a line a Gaussian filter is 3.01 dB down
		s := rf.Spectrum{Start: 9e9, Step: 5e5, RBW: 1e6, Levels: []float64{-90, side + dust, 0, side, -90}}
		frequencies, levels, err := Refer(s, s.RBW)
		if err != nil {
			t.Fatal(err)
		}
		strongest := math.Inf(-1)
		for i, f := range frequencies {
			if i > 0 && f <= frequencies[i-1] {
				t.Errorf("dust %g: frequency %v follows %v", dust, f, frequencies[i-1])
			}
			strongest = max(strongest, levels[i])
		}
		near(t, "level of the line / dB", strongest, 0, 1e-6)
	}
}
