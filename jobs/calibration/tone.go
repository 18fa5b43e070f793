package calibration

import (
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// How the analyzer looks at the generator behind a path.
const (
	lineRBW         rf.Hertz = 1e3
	lineSpan        rf.Hertz = 20e3
	linePoints               = 401
	lineAttenuation rf.DB    = 10 // a matched input, whatever the mixer is like

	// lineReach is how far the line may lie beside its frequency: both follow one reference.
	lineReach = lineRBW / 2
	// aside is how far from the line its own filter shape has ended.
	aside = 6 * lineRBW
	// leastHeard is how far a line stands above what lies beside it at least: noise
	// 30 dB below adds 0.004 dB to it.
	leastHeard rf.DB = 30
)

// LineReach is how far a sweep by LineSweep goes to either side of its frequency.
const LineReach = lineSpan / 2

// LineSweep is the sweep that shows a line at f that may be as strong as most at
// the analyzer: 20 kHz in 1 kHz, with 50 Hz from point to point, so that the
// greatest point is within 0.01 dB of the line (Gaussian filter).
func LineSweep(f rf.Hertz, most rf.DBm) rf.Sweep {
	return rf.Sweep{
		Start: f - lineSpan/2, Stop: f + lineSpan/2, RBW: lineRBW, Points: linePoints,
		Attenuation: lineAttenuation, ReferenceLevel: rf.DBm(math.Ceil(float64(most))),
	}
}

// Line returns the level of the line at f in a trace of LineSweep. A trace that
// does not show it, or something else as strong beside it, is an error that says
// what to look at.
func Line(s rf.Spectrum, f rf.Hertz) (rf.DBm, error) {
	if err := s.Validate(); err != nil {
		return 0, fmt.Errorf("calibration: at %s: %w", f, err)
	}
	level, beside := math.Inf(-1), []float64{}
	for i, l := range s.Levels {
		switch off := math.Abs(float64(s.Frequency(i) - f)); {
		case off <= float64(lineReach):
			level = max(level, l)
		case off >= float64(aside):
			beside = append(beside, l)
		}
	}
	if len(beside) == 0 || math.IsInf(level, 0) {
		return 0, fmt.Errorf("calibration: a trace from %s to %s does not show a line at %s", s.Start, s.Stop(), f)
	}
	if floor := slices.Max(beside); !(level-floor >= float64(leastHeard)) {
		return 0, fmt.Errorf("calibration: the generator is not heard at %s: %.1f dBm at the analyzer with %.1f dBm beside it, want %s more; is its cable on the right connector, and the path not longer than the analyzer can hear through?",
			f, level, floor, leastHeard)
	}
	return rf.DBm(level), nil
}

// mostOff is how far a generator that is joined to the power meter may be off its level.
const mostOff rf.DB = 3

// Joined is an error when a power meter that should be joined to a generator set
// to a level reads something else.
func Joined(set, read rf.DBm, f rf.Hertz) error {
	if off := math.Abs(float64(read.Sub(set))); !(off <= float64(mostOff)) {
		return fmt.Errorf("calibration: the power meter reads %s at %s with the generator at %s; is the generator joined to its sensor?", read, f, set)
	}
	return nil
}

// Frequencies returns where a correction is measured: so many points from one
// frequency to another, or as many as it takes for none to be further from the next
// than step. One of the two is zero.
func Frequencies(from, to rf.Hertz, points int, step rf.Hertz) ([]rf.Hertz, error) {
	switch {
	case points != 0 && step != 0:
		return nil, fmt.Errorf("calibration: %d points and steps of %s: want one of them", points, step)
	case points != 0:
		return Grid(from, to, points)
	case !(step > 0) || !(to > from):
		return nil, fmt.Errorf("calibration: from %s to %s in steps of %s: want a range that rises, and a step or a number of points", from, to, step)
	}
	steps := math.Ceil(float64((to-from)/step) - 1e-9)
	if steps >= MostRows {
		return nil, fmt.Errorf("calibration: %s to %s in steps of %s are more than %d frequencies", from, to, step, MostRows)
	}
	return Grid(from, to, int(steps)+1)
}
