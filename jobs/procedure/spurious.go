package procedure

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
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
// resolution bandwidth is the measurement bandwidth).
func planSpurious(s Setup, requirements []conformance.Requirement) ([]Planned, error) {
	var planned []Planned
	for _, r := range requirements {
		n := lineSamples
		if r.Frequencies.High > s.noisyFrom() {
			n = emissionSamples
		}
		rbw := r.MeasurementBandwidth
		p, err := s.sweep(r.Key, r.Frequencies, rbw, n.dwell(rbw, rbw, rbw))
		if err != nil {
			return nil, err
		}
		planned = append(planned, p)
	}
	return planned, nil
}

// analyzeSpurious refers what was read to a rectangular filter: noise loses what
// the wider noise bandwidth of the filter adds, a line between two points gets
// its true level (see dsp.Refer).
func analyzeSpurious(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	var readings []conformance.Reading
	for _, r := range requirements {
		spectrum, err := s.atConnector(traces, r.Key)
		if err != nil {
			return nil, err
		}
		if !spectrum.Range().Covers(widen(r.Frequencies, -spectrum.Step/2)) {
			return nil, fmt.Errorf("procedure: %s: the trace runs from %s to %s, the limit from %s to %s", r.Key, spectrum.Start, spectrum.Stop(), r.Frequencies.Low, r.Frequencies.High)
		}
		frequencies, levels, err := dsp.Refer(spectrum, r.MeasurementBandwidth)
		if err != nil {
			return nil, fmt.Errorf("procedure: %s: %w", r.Key, err)
		}
		clamp(frequencies, r.Frequencies)
		u, err := s.uncertainty(r.Frequencies)
		if err != nil {
			return nil, err
		}
		readings = append(readings, conformance.Reading{
			Key: r.Key, Series: &conformance.Series{Frequencies: frequencies, Levels: levels}, Uncertainty: u,
		})
	}
	return readings, nil
}

// clamp takes the binary dust off the ends of a frequency axis, so that its last
// point is not found a nanohertz outside the limit.
func clamp(frequencies []float64, r rf.Range) {
	for i, f := range frequencies {
		frequencies[i] = min(max(f, float64(r.Low)), float64(r.High))
	}
}
