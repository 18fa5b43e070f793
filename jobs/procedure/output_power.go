package procedure

import (
	"fmt"

	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

// carrierRole is the trace that holds the carrier.
const carrierRole = "carrier"

// planOutputPower sweeps the channel and a tenth of it on either side (TS
// 38.141-1 6.2: mean power of the carrier, in the ON period of a TDD one).
func planOutputPower(s Setup, _ []conformance.Requirement) ([]Planned, error) {
	c := s.Subject.Carrier
	rbw := channelFilter(c.Bandwidth)
	p, err := s.sweep(carrierRole, around(c.Center, 1.2*c.Bandwidth), rbw, powerSamples.dwell(c.Bandwidth, rbw/2, rbw))
	if err != nil {
		return nil, err
	}
	return []Planned{p}, nil
}

// analyzeOutputPower integrates the trace over the channel.
func analyzeOutputPower(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	spectrum, err := s.atConnector(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	c := s.Subject.Carrier
	power, err := dsp.ChannelPower(spectrum, c.Edges())
	if err != nil {
		return nil, fmt.Errorf("procedure: output power: %w", err)
	}
	t, err := s.find(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	path, err := s.pathIn(c.Edges())
	if err != nil {
		return nil, err
	}
	budget, err := s.levelBudget(path, t.samplesIn(c.Bandwidth))
	if err != nil {
		return nil, err
	}
	var readings []conformance.Reading
	for _, r := range requirements {
		readings = append(readings, conformance.Reading{
			Key: r.Key, Value: float64(power), At: c.Center, CarrierPower: float64(power), Uncertainty: budget.Expanded, Budget: budget,
		})
	}
	return readings, nil
}
