package procedure

import (
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// harmonicsFrom is where noise begins that has to be averaged as such: harmonics,
// as wide as the carrier or wider, and what the amplifier adds beside the band.
// What stands below are lines of clocks and converters, which do not scatter;
// noise there reads up to 2 dB high when it is the greatest of its range.
const harmonicsFrom = rf.Gigahertz

// noisyFrom is harmonicsFrom, or half the carrier frequency where that is lower:
// a band below 1 GHz has its own noise beside it.
func (s Setup) noisyFrom() rf.Hertz { return min(harmonicsFrom, s.Subject.Carrier.Center/2) }

// planSpurious sweeps every frequency range of the limit with the measurement
// bandwidth itself as filter, a point every half of it (TS 38.141-1 6.6.5: the
// resolution bandwidth is the measurement bandwidth). Where no analyzer has that
// filter (6.25 kHz, 27 MHz), a third of it is integrated.
func planSpurious(s Setup, requirements []conformance.Requirement) ([]Planned, error) {
	var planned []Planned
	for _, r := range requirements {
		n := lineSamples
		if r.Frequencies.High > s.noisyFrom() {
			n = emissionSamples
		}
		span, rbw, step := r.Frequencies, r.MeasurementBandwidth, r.MeasurementBandwidth
		if math.Abs(float64(stepDown(rbw)-rbw)) > 1e-6 {
			rbw = stepDown(rbw / 3)
			span, step = widen(span, r.MeasurementBandwidth/2+rbw), rbw/2
		}
		p, err := s.sweep(r.Key, span, rbw, n.dwell(r.MeasurementBandwidth, step, rbw))
		if err != nil {
			return nil, err
		}
		planned = append(planned, p)
	}
	return planned, nil
}
