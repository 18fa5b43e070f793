package conformance

import (
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// measured reports the first reason why a reading cannot answer a requirement.
func measured(req Requirement, r Reading) error {
	if !isNumber(r.Uncertainty) || r.Uncertainty < 0 {
		return fmt.Errorf("uncertainty %v is no expanded uncertainty", r.Uncertainty)
	}
	points := 1
	if r.Series != nil {
		points = len(r.Series.Levels)
	}
	if err := r.Floor.complete(points); err != nil {
		return err
	}
	overFrequency := req.overFrequency()
	switch {
	case overFrequency && r.Series == nil:
		return errors.New("a limit over frequency needs a series, not one value")
	case !overFrequency && r.Series != nil:
		return errors.New("the limit is for one value, the reading is a series")
	case overFrequency:
		return r.Series.covers(req)
	case !isNumber(r.Value):
		return fmt.Errorf("%v is not a measured number", r.Value)
	case req.Alternative != nil && (!isNumber(r.CarrierPower) || r.CarrierPower == 0):
		// Zero is what an unset field holds, and it would let every ratio pass.
		return fmt.Errorf("carrier power %v dBm is not a measured level; a leakage ratio needs it for the absolute limit", r.CarrierPower)
	}
	return nil
}

// overFrequency reports whether the limit is answered by a series.
func (r Requirement) overFrequency() bool {
	return r.Quantity == unwantedEmission || r.Quantity == spuriousEmission
}

// covers reports the first reason why a series does not show the whole span of
// a requirement: no points, points that are no numbers or not in rising order,
// points outside the span, or a hole in which an emission could hide. Filters
// stand at most one measurement bandwidth apart, and as near to both ends.
func (s *Series) covers(req Requirement) error {
	if len(s.Levels) == 0 || len(s.Levels) != len(s.Frequencies) {
		return fmt.Errorf("series has %d frequencies and %d levels", len(s.Frequencies), len(s.Levels))
	}
	span := req.Frequencies
	reach := req.MeasurementBandwidth + edgeSlack
	low, high := float64(span.Low-edgeSlack), float64(span.High+edgeSlack)
	previous := span.Low
	for i, v := range s.Levels {
		f := rf.Hertz(s.Frequencies[i])
		// One test for the many good points; what is wrong is told apart below.
		if isNumber(v) && float64(f) >= low && float64(f) <= high && f-previous <= reach && (f > previous || i == 0) {
			previous = f
			continue
		}
		switch {
		case !isNumber(v):
			return fmt.Errorf("level at %s is %v, not a measured number", f, v)
		case !isNumber(float64(f)) || i > 0 && f <= previous:
			return fmt.Errorf("frequency %d of the series, %v Hz, does not rise", i, float64(f))
		case f < span.Low-edgeSlack || f > span.High+edgeSlack:
			return fmt.Errorf("point at %s lies outside the span %s to %s", f, span.Low, span.High)
		}
		return fmt.Errorf("nothing was measured between %s and %s, more than the measurement bandwidth of %s apart", previous, f, req.MeasurementBandwidth)
	}
	if span.High-previous > reach {
		return fmt.Errorf("nothing was measured between %s and %s, more than the measurement bandwidth of %s apart", previous, span.High, req.MeasurementBandwidth)
	}
	return nil
}

// isNumber reports whether v was measured: finite and not one of the numbers
// by which an instrument says that it has none. The bound is a little below
// 9.9e37, which loses digits when it travels as a 32-bit number.
func isNumber(v float64) bool {
	return math.Abs(v) < rf.SpecialNumber*(1-1e-6) // NaN is below nothing
}
