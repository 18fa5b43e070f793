package uncertainty

import (
	"math"

	"benchyard/instruments/rf"
)

// RelativePower returns the relative standard uncertainty of a power from one
// in decibels, (ln 10 / 10) u. It is linear, so it is for small ones; see Spread.
func RelativePower(u rf.DB) float64 { return math.Ln10 / 10 * float64(u) }

// PowerDecibels returns the standard uncertainty in decibels of a power from a
// relative one.
func PowerDecibels(u float64) rf.DB { return rf.DB(10 / math.Ln10 * u) }

// RelativeVoltage returns the relative standard uncertainty of a voltage from
// one in decibels.
func RelativeVoltage(u rf.DB) float64 { return math.Ln10 / 20 * float64(u) }

// VoltageDecibels returns the standard uncertainty in decibels of a voltage
// from a relative one.
func VoltageDecibels(u float64) rf.DB { return rf.DB(decibelsPerNeper * u) }

// Spread returns what an interval of plus or minus a half-width in decibels is
// in relative power: the upper part is wider than the lower one.
func Spread(halfWidth rf.DB) (up, down float64) {
	return halfWidth.Ratio() - 1, 1 - (-halfWidth).Ratio()
}

// Scatter returns the standard deviation in decibels of a noise power that
// rests on n independent samples: 4.34 / sqrt(n), linear in the relative
// scatter 1/sqrt(n) of such a mean.
func Scatter(n float64) rf.DB { return PowerDecibels(1 / math.Sqrt(n)) }
