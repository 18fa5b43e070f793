package statistics

import (
	"errors"
	"fmt"
	"math"
)

var (
	// ErrUnstable tells that a process is not steady enough for an index.
	ErrUnstable = errors.New("the process is not stable")
	// ErrNoLimit tells that there is no limit to compare a process with.
	ErrNoLimit = errors.New("there is no limit")
)

// leastForIndex is how many values an index takes: below it, its interval is
// wider than the index.
const leastForIndex = 20

// Limits are the ends of what is accepted; nil for none on that side.
type Limits struct{ Lower, Upper *float64 }

// Capability compares the room within limits with the spread of a process. A
// limit on one side has the index of that side only; what does not exist is NaN.
type Capability struct {
	Cp       float64 // (upper - lower) / 6 sigma
	Lower    float64 // Cpl, (mean - lower) / 3 sigma
	Upper    float64 // Cpu, (upper - mean) / 3 sigma
	Cpk      float64 // the smaller of both
	K        float64 // how far the mean lies from the middle, in half widths: Cpk = Cp (1-K) while it lies within
	Mean, SD float64 // that went in; SD says which sigma the index is of
}

// CapabilityOf returns the indices of a process of known mean and standard
// deviation (NIST/SEMATECH e-Handbook 6.1.6). With the spread within groups
// they are Cp and Cpk; with that of all values they are Pp and Ppk.
func CapabilityOf(mean, sd float64, limits Limits) (Capability, error) {
	if err := usable("a capability index", []float64{mean, sd}, 2); err != nil {
		return Capability{}, err
	}
	if sd <= 0 {
		return Capability{}, fmt.Errorf("statistics: a capability index divides by a standard deviation of %v: %w", sd, ErrNoSpread)
	}
	c := Capability{Cp: math.NaN(), Lower: math.NaN(), Upper: math.NaN(), K: math.NaN(), Mean: mean, SD: sd}
	switch {
	case limits.Lower == nil && limits.Upper == nil:
		return Capability{}, fmt.Errorf("statistics: a capability index needs a limit, at least on one side: %w", ErrNoLimit)
	case limits.Upper == nil:
		c.Lower = (mean - *limits.Lower) / (3 * sd)
		c.Cpk = c.Lower
	case limits.Lower == nil:
		c.Upper = (*limits.Upper - mean) / (3 * sd)
		c.Cpk = c.Upper
	default:
		low, high := *limits.Lower, *limits.Upper
		if !(low < high) {
			return Capability{}, fmt.Errorf("statistics: no room between the limits %v and %v", low, high)
		}
		c.Cp = (high - low) / (6 * sd)
		c.Lower, c.Upper = (mean-low)/(3*sd), (high-mean)/(3*sd)
		c.Cpk = min(c.Lower, c.Upper)
		c.K = math.Abs(low/2+high/2-mean) / ((high - low) / 2)
	}
	return c, nil
}

// MeasureCapability returns the indices of values in the order they were taken,
// with the short-term sigma of their moving ranges. It refuses fewer than 20
// values, and a process whose individuals chart gives a signal: its index would
// promise what the process does not keep.
func MeasureCapability(xs []float64, limits Limits) (Capability, error) {
	if err := usable("a capability index", xs, leastForIndex); err != nil {
		return Capability{}, err
	}
	chart, _, err := Individuals(xs)
	if err != nil {
		return Capability{}, err
	}
	if chart.Sigma > 0 {
		if signals := chart.Zones(xs); len(signals) > 0 {
			return Capability{}, fmt.Errorf("statistics: %s, the first at value %d: no index before the cause is found: %w",
				counted(len(signals), "signal"), signals[0].At+1, ErrUnstable)
		}
	}
	return CapabilityOf(chart.Centre, chart.Sigma, limits)
}

func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// CpkInterval holds a Cpk estimated from n values at a two-sided confidence
// level, by the usual normal approximation: Cpk ± z sqrt(1/9n + Cpk²/2(n-1)).
func CpkInterval(cpk float64, n int, level float64) Interval {
	if n < 2 || !proper(level) {
		return unknown()
	}
	half := twoSided(level) * math.Sqrt(1/(9*float64(n))+cpk*cpk/(2*float64(n-1)))
	return Interval{cpk - half, cpk + half}
}

// Outside is the share of a normal process that lies beyond its limits.
func Outside(mean, sd float64, limits Limits) float64 {
	share := 0.0
	if limits.Lower != nil {
		share += normalTail((mean - *limits.Lower) / sd)
	}
	if limits.Upper != nil {
		share += normalTail((*limits.Upper - mean) / sd)
	}
	return share
}
