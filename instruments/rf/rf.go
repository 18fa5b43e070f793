// Package rf holds the quantities every other room speaks in: frequency in
// Hertz, absolute level in DBm, ratio in DB, and what an analyzer is asked for
// (Sweep) and answers (Spectrum). It knows arithmetic and nothing else: no
// limits, no instruments, no files.
//
// Level and ratio are different types on purpose: adding two levels is a
// mistake, adding a ratio to a level is a gain. Power is averaged in
// milliwatts, never in decibels.
package rf

import "math"

// Hertz is a frequency or a bandwidth in hertz.
type Hertz float64

// Common multiples of one hertz.
const (
	Kilohertz Hertz = 1e3
	Megahertz Hertz = 1e6
	Gigahertz Hertz = 1e9
)

// DBm is an absolute power level, decibels relative to one milliwatt.
type DBm float64

// DB is a power ratio in decibels.
type DB float64

// Milliwatts returns the level as power in milliwatts.
func (p DBm) Milliwatts() float64 { return math.Pow(10, float64(p)/10) }

// FromMilliwatts returns the level of a power in milliwatts. Zero gives -Inf;
// a negative power gives NaN.
func FromMilliwatts(mw float64) DBm { return DBm(10 * math.Log10(mw)) }

// Add returns the level raised by the ratio.
func (p DBm) Add(r DB) DBm { return p + DBm(r) }

// Sub returns the ratio of two levels, p over q.
func (p DBm) Sub(q DBm) DB { return DB(p - q) }

// Ratio returns the power ratio as a plain number.
func (r DB) Ratio() float64 { return math.Pow(10, float64(r)/10) }

// FromRatio returns a plain power ratio in decibels.
func FromRatio(x float64) DB { return DB(10 * math.Log10(x)) }

// Range is a closed span of frequency, Low not above High.
type Range struct{ Low, High Hertz }

// Width returns High minus Low.
func (r Range) Width() Hertz { return r.High - r.Low }

// Contains reports whether f lies in the range, ends included.
func (r Range) Contains(f Hertz) bool { return f >= r.Low && f <= r.High }

// Covers reports whether other lies wholly inside the range.
func (r Range) Covers(other Range) bool { return other.Low >= r.Low && other.High <= r.High }

// Sum returns the level of several powers together, added in milliwatts. No
// levels at all are no power, -Inf.
func Sum(levels ...DBm) DBm {
	mw := 0.0
	for _, p := range levels {
		mw += p.Milliwatts()
	}
	return FromMilliwatts(mw)
}
