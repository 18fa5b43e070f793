package procedure

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// planLeakageRatio sweeps the carriers and their neighbours at once: two and a
// half channels to either side, or as far as the furthest window reaches.
// Windows narrower than the channel (E-UTRA, gaps) rest on a channel power's
// samples.
func planLeakageRatio(s Setup, requirements []conformance.Requirement) ([]Planned, error) {
	all := s.Subject.All()
	low, high, least := all[0], all[len(all)-1], s.narrowest()
	rbw := channelFilter(least.Bandwidth)
	span := rf.Range{Low: low.Center - 2.5*low.Bandwidth, High: high.Center + 2.5*high.Bandwidth}
	narrowest := least.Configured()
	for _, r := range requirements {
		reach := widen(around(adjacentCentre(r), r.MeasurementBandwidth), 2*rbw)
		span = rf.Range{Low: min(span.Low, reach.Low), High: max(span.High, reach.High)}
		narrowest = min(narrowest, r.MeasurementBandwidth)
	}
	if len(all) == 1 { // as wide on both sides
		half := max(low.Center-span.Low, span.High-low.Center)
		span = around(low.Center, 2*half)
	}
	dwell := max(ratioSamples.dwell(least.Configured(), rbw/2, rbw), powerSamples.dwell(narrowest, rbw/2, rbw))
	p, err := s.sweep(carrierRole, span, rbw, dwell)
	if err != nil {
		return nil, err
	}
	return []Planned{p}, nil
}

// analyzeLeakageRatio holds the carrier, or in a gap the sum of both beside it,
// through square filters of their transmission bandwidth configuration, against every adjacent window (TS 38.104
// 6.6.3.1). The ratio has a budget, and the level in the window another one for
// the absolute limit.
func analyzeLeakageRatio(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	spectrum, err := s.atConnector(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	t, err := s.find(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	var readings []conformance.Reading
	for _, r := range requirements {
		at, own := adjacentCentre(r), s.against(r)
		window := around(at, r.MeasurementBandwidth)
		ratio, power, err := leakage(spectrum, own, window)
		if err != nil {
			return nil, fmt.Errorf("procedure: %s: %w", r.Key, err)
		}
		carrier, err := s.pathOver(own)
		if err != nil {
			return nil, err
		}
		adjacent, err := s.pathIn(window)
		if err != nil {
			return nil, err
		}
		n := t.samplesIn(window.Width())
		budget, err := s.ratioBudget(carrier, adjacent, t.samplesIn(own[0].Width()), n)
		if err != nil {
			return nil, err
		}
		absolute, err := s.levelBudget(adjacent, n)
		if err != nil {
			return nil, err
		}
		readings = append(readings, conformance.Reading{
			Key: r.Key, Value: float64(ratio), At: at, CarrierPower: float64(power),
			Uncertainty: budget.Expanded, Budget: budget, Absolute: absolute,
		})
	}
	return readings, nil
}

// adjacentCentre returns the centre of the window of a leakage requirement.
func adjacentCentre(r conformance.Requirement) rf.Hertz {
	return (r.Frequencies.Low + r.Frequencies.High) / 2
}
