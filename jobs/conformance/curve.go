package conformance

import (
	"math"
	"slices"
	"sort"

	"benchyard/instruments/rf"
)

// Curve is a level over frequency: linear in decibels between points that rise,
// held beyond its ends. Two points at one frequency are a step; the lower level
// holds there.
type Curve []CurvePoint

// CurvePoint is one corner of a Curve.
type CurvePoint struct {
	Frequency rf.Hertz
	Level     float64 // dBm
}

// At returns the level at f. A curve without points has none.
func (c Curve) At(f rf.Hertz) float64 {
	i := sort.Search(len(c), func(i int) bool { return c[i].Frequency >= f })
	switch {
	case len(c) == 0:
		return math.Inf(-1)
	case i == len(c):
		return c[i-1].Level
	case c[i].Frequency == f:
		level := c[i].Level
		for i++; i < len(c) && c[i].Frequency == f; i++ {
			level = min(level, c[i].Level)
		}
		return level
	case i == 0:
		return c[0].Level
	}
	a, b := c[i-1], c[i]
	return a.Level + (b.Level-a.Level)*float64((f-a.Frequency)/(b.Frequency-a.Frequency))
}

// mirrored returns the curve over width-f instead of f.
func (c Curve) mirrored(width rf.Hertz) Curve {
	out := make(Curve, len(c))
	for i, p := range c {
		out[len(c)-1-i] = CurvePoint{width - p.Frequency, p.Level}
	}
	return out
}

// over returns the curve with its abscissa put through at, in rising order.
func (c Curve) over(at func(rf.Hertz) rf.Hertz) Curve {
	out := make(Curve, len(c))
	for i, p := range c {
		out[i] = CurvePoint{at(p.Frequency), clean(p.Level)}
	}
	if len(out) > 1 && out[0].Frequency > out[len(out)-1].Frequency {
		slices.Reverse(out)
	}
	return out
}

// powerSum adds levels in milliwatts.
func powerSum(a, b float64) float64 { return float64(rf.Sum(rf.DBm(a), rf.DBm(b))) }

// sumAt returns the power sum of all curves at f.
func sumAt(curves []Curve, f rf.Hertz) float64 {
	total := 0.0
	for _, c := range curves {
		total += math.Pow(10, c.At(f)/10)
	}
	return 10 * math.Log10(total)
}

// UpperAt returns the upper test requirement for a figure at f: of a limit that
// slopes or is a sum the value there. Nil where unbounded.
func (r Requirement) UpperAt(f rf.Hertz) *float64 { return r.upperAt(f) }
