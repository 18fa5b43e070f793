package procedure

import (
	"fmt"

	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

// carrierRole is the trace that holds the carrier.
const carrierRole = "carrier"

// planOutputPower sweeps each channel and a tenth of it on either side (TS
// 38.141-1 6.2: mean power of the carrier, in the ON period of a TDD one).
func planOutputPower(s Setup, _ []conformance.Requirement) ([]Planned, error) {
	var planned []Planned
	for i, c := range s.Subject.All() {
		rbw := channelFilter(c.Bandwidth)
		p, err := s.sweep(roleOf(i), around(c.Center, 1.2*c.Bandwidth), rbw, powerSamples.dwell(c.Bandwidth, rbw/2, rbw))
		if err != nil {
			return nil, err
		}
		planned = append(planned, p)
	}
	return planned, nil
}

// analyzeOutputPower integrates each trace over its channel.
func analyzeOutputPower(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	all := s.Subject.All()
	if len(requirements) != len(all) {
		return nil, fmt.Errorf("procedure: output power: %d limits for %d carriers", len(requirements), len(all))
	}
	var readings []conformance.Reading
	for i, c := range all {
		reading, err := s.carrierPower(c, roleOf(i), traces)
		if err != nil {
			return nil, err
		}
		reading.Key = requirements[i].Key
		readings = append(readings, reading)
	}
	return readings, nil
}

// carrierPower returns the mean power of one carrier.
func (s Setup) carrierPower(c conformance.Carrier, role string, traces []Trace) (conformance.Reading, error) {
	spectrum, err := s.atConnector(traces, role)
	if err != nil {
		return conformance.Reading{}, err
	}
	power, err := dsp.ChannelPower(spectrum, c.Edges())
	if err != nil {
		return conformance.Reading{}, fmt.Errorf("procedure: output power: %w", err)
	}
	t, err := s.find(traces, role)
	if err != nil {
		return conformance.Reading{}, err
	}
	path, err := s.pathIn(c.Edges())
	if err != nil {
		return conformance.Reading{}, err
	}
	budget, err := s.levelBudget(path, t.samplesIn(c.Bandwidth))
	if err != nil {
		return conformance.Reading{}, err
	}
	return conformance.Reading{
		Value: float64(power), At: c.Center, CarrierPower: float64(power), Uncertainty: budget.Expanded, Budget: budget,
	}, nil
}
