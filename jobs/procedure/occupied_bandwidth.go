package procedure

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

const (
	occupiedShare   = 0.99              // TS 38.104 6.6.2
	occupiedFilter  = 30 * rf.Kilohertz // widest filter of TS 38.141-1 6.6.2
	mostFloor       = 1e-3              // share of a noise floor that leaves a 99 % figure sound
	occupiedOutside = (1 - occupiedShare) / 2
	// noisiest is the noise density of a poor analyzer without attenuation; good
	// ones are 20 to 30 dB quieter. In a bench that keeps the attenuation budget
	// it lies some 6 dB under a floor of mostFloor of a carrier at rated power.
	noisiest rf.DBm = -130 // dBm/Hz
)

// planOccupiedBandwidth sweeps twice the channel bandwidth, or that of contiguous
// carriers together (TS 38.141-1 6.6.2:
// 10, 20, 30, 40 MHz for channels of 5 to 20 MHz and twice the channel above;
// 400 points or more).
func planOccupiedBandwidth(s Setup, _ []conformance.Requirement) ([]Planned, error) {
	whole := s.Subject.RFBandwidth()
	bandwidth := whole.Width()
	rbw := min(channelFilter(bandwidth), occupiedFilter)
	dwell := edgeSamples.dwell(occupiedOutside*bandwidth, rbw/2, rbw)
	p, err := s.sweep(carrierRole, around(whole.Low+bandwidth/2, 2*bandwidth), rbw, dwell)
	if err != nil {
		return nil, err
	}
	return []Planned{p}, nil
}

// analyzeOccupiedBandwidth finds the 0.5 % points from both ends.
func analyzeOccupiedBandwidth(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	spectrum, err := s.atConnector(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	if err := s.ownFloor(traces); err != nil {
		return nil, err
	}
	bandwidth, low, high, err := dsp.OccupiedBandwidth(spectrum, occupiedShare)
	if err != nil {
		return nil, fmt.Errorf("procedure: %w", err)
	}
	t, err := s.find(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	budget, err := widthBudget(spectrum.Step, bandwidth, t.samplesIn(occupiedOutside*bandwidth))
	if err != nil {
		return nil, err
	}
	var readings []conformance.Reading
	for _, r := range requirements {
		readings = append(readings, conformance.Reading{
			Key: r.Key, Value: float64(bandwidth), At: (low + high) / 2, Uncertainty: budget.Expanded, Budget: budget,
		})
	}
	return readings, nil
}

// ownFloor refuses a trace whose floor holds more than a thousandth of the power
// and may be the noise of the analyzer: the figure would measure the analyzer. A
// floor that no analyzer makes is what the unit transmits. It belongs into the
// figure, and a unit that fails by it has to fail.
func (s Setup) ownFloor(traces []Trace) error {
	t, err := s.find(traces, carrierRole)
	if err != nil {
		return err
	}
	density, share, err := dsp.Floor(t.Spectrum)
	if err != nil {
		return fmt.Errorf("procedure: occupied bandwidth: %w", err)
	}
	if share > mostFloor && density <= noisiest.Add(t.Sweep.Attenuation) {
		return fmt.Errorf("procedure: occupied bandwidth: %.2f %% of the power in the span is a floor of %.0f dBm/Hz, which may be the noise of the analyzer; at most %.1f %% is sound: look whether the unit transmits, or lower the attenuation", 100*share, float64(density), 100*mostFloor)
	}
	return nil
}
