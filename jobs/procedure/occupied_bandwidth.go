package procedure

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

const (
	occupiedShare   = 0.99              // TS 38.104 6.6.2
	occupiedFilter  = 30 * rf.Kilohertz // widest filter of TS 38.141-1 6.6.2
	mostFloor       = 1e-3              // share of a noise floor that leaves a 99 % figure sound
	occupiedOutside = (1 - occupiedShare) / 2
)

// planOccupiedBandwidth sweeps twice the channel bandwidth (TS 38.141-1 6.6.2:
// 10, 20, 30, 40 MHz for channels of 5 to 20 MHz and twice the channel above;
// 400 points or more).
func planOccupiedBandwidth(s Setup, _ []conformance.Requirement) ([]Planned, error) {
	c := s.Subject.Carrier
	rbw := min(channelFilter(c.Bandwidth), occupiedFilter)
	dwell := edgeSamples.dwell(occupiedOutside*c.Bandwidth, rbw/2, rbw)
	p, err := s.sweep(carrierRole, around(c.Center, 2*c.Bandwidth), rbw, dwell)
	if err != nil {
		return nil, err
	}
	return []Planned{p}, nil
}

// analyzeOccupiedBandwidth finds the 0.5 % points from both ends. It refuses a
// trace whose floor holds more than a thousandth of the power, because the
// figure would measure the floor. The uncertainty is that of the two crossings
// within their bins, each rectangular over one step (k = 2); the level
// correction moves all of the trace and drops out.
func analyzeOccupiedBandwidth(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	spectrum, err := s.atConnector(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	floor, err := dsp.FloorShare(spectrum)
	if err != nil {
		return nil, fmt.Errorf("procedure: occupied bandwidth: %w", err)
	}
	if floor > mostFloor {
		return nil, fmt.Errorf("procedure: occupied bandwidth: %.2f %% of the power in the span is a floor, at most %.1f %% is sound: lower the attenuation, or look at the leakage ratio first", 100*floor, 100*mostFloor)
	}
	bandwidth, low, high, err := dsp.OccupiedBandwidth(spectrum, occupiedShare)
	if err != nil {
		return nil, fmt.Errorf("procedure: %w", err)
	}
	u := 2 * math.Sqrt(2.0/12) * float64(spectrum.Step)
	var readings []conformance.Reading
	for _, r := range requirements {
		readings = append(readings, conformance.Reading{
			Key: r.Key, Value: float64(bandwidth), At: (low + high) / 2, Uncertainty: u,
		})
	}
	return readings, nil
}
