package procedure

import (
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// unevenStep is by how much of a step a point may stand beside its place in an
// even row: what rounding to the digits of a file does.
const unevenStep = 0.01

// spectrum makes a trace of the points that were read, if they stand evenly.
func (t *traceReader) spectrum() (rf.Spectrum, error) {
	t.line = 0
	f := t.frequencies
	switch n := len(f); {
	case n == 0:
		return rf.Spectrum{}, t.errorf("no points; want a frequency in Hz and a level in dBm on each line")
	case n == 1:
		return rf.Spectrum{}, t.errorf("one point is no trace")
	case f[n-1] < leastHertz:
		return rf.Spectrum{}, t.errorf("frequencies from %g to %g look like MHz or GHz, not Hz; give hertz, or name the unit in a first line such as freq_mhz,level_dbm", f[0], f[n-1])
	}
	if err := t.even(); err != nil {
		return rf.Spectrum{}, err
	}
	last := len(f) - 1
	return rf.Spectrum{
		Start:  rf.Hertz(f[0]),
		Step:   rf.Hertz((f[last] - f[0]) / float64(last)),
		Levels: t.levels,
	}, nil
}

// even reports the first place where the points do not stand in an even row: a
// gap, or a step of another width.
func (t *traceReader) even() error {
	f := t.frequencies
	steps := make([]float64, len(f)-1)
	for i := range steps {
		steps[i] = f[i+1] - f[i]
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	usual := sorted[len(sorted)/2]
	for i, step := range steps {
		missing := step/usual - 1
		t.line = int(t.lines[i+1])
		switch {
		case math.Abs(missing) <= 2*unevenStep:
		case missing > 0.5:
			return t.errorf("gap between %s and %s: steps are %s, so %s missing there, and nothing is filled in", rf.Hertz(f[i]), rf.Hertz(f[i+1]), short(usual), points(missing))
		default:
			return t.errorf("uneven step: %s between %s and %s, elsewhere %s", short(step), rf.Hertz(f[i]), rf.Hertz(f[i+1]), short(usual))
		}
	}
	mean := (f[len(f)-1] - f[0]) / float64(len(steps))
	for i := range f {
		if off := f[i] - f[0] - float64(i)*mean; math.Abs(off) > unevenStep*mean {
			t.line = int(t.lines[i])
			return t.errorf("uneven steps: the point at %s stands %s beside its place in an even row of %s; give the frequencies with more digits", rf.Hertz(f[i]), short(math.Abs(off)), short(mean))
		}
	}
	return nil
}

// short is a width for people, to the millihertz.
func short(f float64) rf.Hertz { return rf.Hertz(math.Round(f*1e3) / 1e3) }

func points(missing float64) string {
	if n := math.Round(missing); n != 1 {
		return fmt.Sprintf("%.0f points are", n)
	}
	return "one point is"
}
