package procedure

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

// planLeakageRatio sweeps the carrier and its neighbours at once: two and a half
// channels to either side, or as far as the furthest window reaches. Windows
// narrower than the channel (E-UTRA) rest on a channel power's samples.
func planLeakageRatio(s Setup, requirements []conformance.Requirement) ([]Planned, error) {
	c := s.Subject.Carrier
	rbw := channelFilter(c.Bandwidth)
	half, narrowest := 2.5*c.Bandwidth, c.Configured()
	for _, r := range requirements {
		half = max(half, r.OffsetFrom+r.MeasurementBandwidth/2+2*rbw)
		narrowest = min(narrowest, r.MeasurementBandwidth)
	}
	dwell := max(ratioSamples.dwell(c.Configured(), rbw/2, rbw), powerSamples.dwell(narrowest, rbw/2, rbw))
	p, err := s.sweep(carrierRole, around(c.Center, 2*half), rbw, dwell)
	if err != nil {
		return nil, err
	}
	return []Planned{p}, nil
}

// analyzeLeakageRatio holds the carrier, through a square filter of its
// transmission bandwidth configuration, against every adjacent window (TS 38.104
// 6.6.3.1). The ratio has a budget, and the level in the window another one for
// the absolute limit.
func analyzeLeakageRatio(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	spectrum, err := s.atConnector(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	c := s.Subject.Carrier
	own := around(c.Center, c.Configured())
	t, err := s.find(traces, carrierRole)
	if err != nil {
		return nil, err
	}
	carrier, err := s.pathIn(own)
	if err != nil {
		return nil, err
	}
	var readings []conformance.Reading
	for _, r := range requirements {
		at := adjacentCentre(c, r)
		window := around(at, r.MeasurementBandwidth)
		ratio, power, err := dsp.LeakageRatio(spectrum, own, window)
		if err != nil {
			return nil, fmt.Errorf("procedure: %s: %w", r.Key, err)
		}
		adjacent, err := s.pathIn(window)
		if err != nil {
			return nil, err
		}
		n := t.samplesIn(window.Width())
		budget, err := s.ratioBudget(carrier, adjacent, t.samplesIn(own.Width()), n)
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
func adjacentCentre(c conformance.Carrier, r conformance.Requirement) rf.Hertz {
	if r.Side == conformance.LowerSide {
		return c.Center - r.OffsetFrom
	}
	return c.Center + r.OffsetFrom
}
