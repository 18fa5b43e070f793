package procedure

import (
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// farOffset is where the carrier no longer matters to the choice of filter.
const farOffset = 10 * rf.Megahertz

// planOperatingBand sweeps every segment of the mask on its own, half a
// measurement bandwidth wider at both ends, with a filter narrower than the
// measurement bandwidth: a third of it near the carrier, whose skirt would leak
// through a wide filter, and half of it further out. Integration makes up the
// measurement bandwidth (TS 38.104 6.6.4.2.5 allows it). Noise then reads true;
// a line reads up to 0.01 dB low near the carrier and 0.15 dB further out.
func planOperatingBand(s Setup, requirements []conformance.Requirement) ([]Planned, error) {
	var planned []Planned
	for _, r := range requirements {
		rbw := stepDown(r.MeasurementBandwidth / 3)
		if r.OffsetFrom >= farOffset {
			rbw = r.MeasurementBandwidth / 2
		}
		p, err := s.sweep(r.Key, widen(r.Frequencies, r.MeasurementBandwidth/2+rbw), rbw,
			emissionSamples.dwell(r.MeasurementBandwidth, rbw/2, rbw))
		if err != nil {
			return nil, err
		}
		planned = append(planned, p)
	}
	return planned, nil
}

// analyzeEmissions returns the level through the measurement bandwidth over the
// filter centres of every limit over frequency, of 6.6.4 and of 6.6.5 (see filtered).
func analyzeEmissions(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	var readings []conformance.Reading
	for _, r := range requirements {
		spectrum, err := s.atConnector(traces, r.Key)
		if err != nil {
			return nil, err
		}
		series, err := filtered(spectrum, r)
		if err != nil {
			return nil, err
		}
		t, err := s.find(traces, r.Key)
		if err != nil {
			return nil, err
		}
		reading, err := s.series(r, t, series)
		if err != nil {
			return nil, err
		}
		readings = append(readings, reading)
	}
	return readings, nil
}
