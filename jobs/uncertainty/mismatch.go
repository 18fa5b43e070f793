package uncertainty

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// decibelsPerNeper is 20/ln(10): decibels of a small relative change of voltage.
const decibelsPerNeper = 20 / math.Ln10

// ReflectionOfSWR returns the magnitude of the reflection coefficient,
// (SWR-1)/(SWR+1). A standing wave ratio below 1 does not exist.
func ReflectionOfSWR(swr float64) (float64, error) {
	if !(swr >= 1) || math.IsInf(swr, 1) {
		return 0, fmt.Errorf("uncertainty: standing wave ratio %g: want 1 or more", swr)
	}
	return (swr - 1) / (swr + 1), nil
}

// ReflectionOfReturnLoss returns the magnitude of the reflection coefficient,
// 10^(-loss/20).
func ReflectionOfReturnLoss(loss rf.DB) float64 { return math.Pow(10, -float64(loss)/20) }

// SWROfReflection returns the standing wave ratio of a reflection below 1.
func SWROfReflection(rho float64) float64 { return (1 + rho) / (1 - rho) }

// MismatchLoss returns the power that a reflection keeps from a load,
// -10 log10(1 - rho^2), positive.
func MismatchLoss(rho float64) rf.DB { return -rf.FromRatio(1 - rho*rho) }

// MismatchLimits returns the greatest and the least change of level that two
// reflections of unknown phase can make: 20 log10(1 -/+ rho1 rho2).
func MismatchLimits(rho1, rho2 float64) (high, low rf.DB) {
	return 2 * rf.FromRatio(1+rho1*rho2), 2 * rf.FromRatio(1-rho1*rho2)
}

// Mismatch returns the part of two reflections whose magnitudes are known and
// whose phase is not: arcsine over 8.686 rho1 rho2 decibels. In decibels it is
// the linear term of MismatchLimits, right to a hundredth of itself for
// reflections of practice.
func Mismatch(name string, rho1, rho2 float64) Part {
	return Part{Name: name, Kind: Arcsine, Value: decibelsPerNeper * rho1 * rho2}
}

// MismatchInDisk returns the part of two reflections of which only upper bounds
// are known, each anywhere in its disk alike: half of Mismatch.
func MismatchInDisk(name string, rho1, rho2 float64) Part {
	return Part{Name: name, Kind: Arcsine, Value: decibelsPerNeper * rho1 * rho2, Divisor: 2 * math.Sqrt2}
}

// Directivity returns the readings of a return loss through a coupler of that
// directivity, whose own leakage adds to the reflection or takes from it.
func Directivity(loss, directivity rf.DB) (least, most rf.DB) {
	leak := ReflectionOfReturnLoss(directivity - loss)
	return loss - 2*rf.FromRatio(1+leak), loss - 2*rf.FromRatio(1-leak)
}
