package procedure

import (
	"fmt"

	"benchyard/instruments/nr"
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

// planOutput sweeps carrier and first adjacent channels with the test model, behind
// every attenuation, with one connector on.
func planOutput(s Setup, _ []conformance.Requirement) ([]Planned, error) {
	var planned []Planned
	c := s.Subject.Carrier
	rbw := channelFilter(c.Bandwidth)
	for _, stage := range s.outputStages() {
		p, err := s.sweep(attenuationRole(stage.Attenuation), around(c.Center, 3.2*c.Bandwidth), rbw, ratioSamples.dwell(c.Configured(), rbw/2, rbw))
		if err != nil {
			return nil, err
		}
		p.Stage = stage
		planned = append(planned, p)
	}
	return planned, nil
}

func (s Setup) outputStages() []*Stage {
	var stages []*Stage
	for _, a := range s.test(conformance.OutputClause).Attenuations() {
		stages = append(stages, &Stage{Carrier: s.Subject.Carrier, Attenuation: a, Alone: true})
	}
	return stages
}

// operated is the unit at one output power.
type operated struct {
	power      float64 // mean over the ON period, dBm
	ratio      float64 // of the worse first adjacent channel, dB
	adjacent   rf.Range
	efficiency float64 // percent; zero where the supply is not known
}

// operate reads one output power. The output counts as its mean over the frame, as
// the supply is asked for its mean: that of a TDD unit is on for a part of it.
func (s Setup) operate(traces []Trace, stage *Stage) (operated, error) {
	role, c := attenuationRole(stage.Attenuation), stage.Carrier
	var o operated
	spectrum, err := s.atConnector(traces, role)
	if err != nil {
		return o, err
	}
	own := around(c.Center, c.Configured())
	for i, side := range []rf.Hertz{-1, 1} {
		window := around(c.Center+side*c.Bandwidth, c.Configured())
		ratio, power, err := dsp.LeakageRatio(spectrum, own, window)
		if err != nil {
			return o, fmt.Errorf("procedure: leakage ratio at %q: %w", role, err)
		}
		if o.power = float64(power); i == 0 || float64(ratio) < o.ratio {
			o.ratio, o.adjacent = float64(ratio), window
		}
	}
	if want := s.Subject.CarrierPower().Add(-stage.Attenuation); !(o.power >= float64(want.Add(-leastTone))) {
		return o, fmt.Errorf("procedure: %.2f dBm at the connector, where %s was asked for: no carrier arrives; look at cable, switch and unit", o.power, want)
	}
	t, err := s.find(traces, role)
	if err != nil {
		return o, err
	}
	if u := t.Unit; u != nil && u.Volts*u.Amps > 0 {
		on := 1.0
		if s.Duplex == "TDD" {
			pattern, err := nr.TDDPattern(c.SCS)
			if err != nil {
				return o, fmt.Errorf("procedure: %w", err)
			}
			on = float64(pattern.On) / float64(pattern.Period)
		}
		o.efficiency = 100 * on * rf.DBm(o.power).Milliwatts() / 1000 / (u.Volts * u.Amps)
	}
	return o, nil
}

// analyzeOutput takes the worst leakage ratio of all output powers, and the
// efficiency at the greatest.
func analyzeOutput(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	var full, worst operated
	for i, stage := range s.outputStages() {
		o, err := s.operate(traces, stage)
		if err != nil {
			return nil, err
		}
		if i == 0 {
			full, worst = o, o
		}
		if o.ratio < worst.ratio {
			worst = o
		}
	}
	c := s.Subject.Carrier
	var readings []conformance.Reading
	for _, r := range requirements {
		var reading conformance.Reading
		var err error
		if r.Key == conformance.OutputClause+"/efficiency" {
			if reading, err = s.efficiencyReading(full); err != nil {
				return nil, err
			}
		} else {
			carrier, err := s.pathIn(around(c.Center, c.Configured()))
			if err != nil {
				return nil, err
			}
			beside, err := s.pathIn(worst.adjacent)
			if err != nil {
				return nil, err
			}
			budget, err := s.ratioBudget(carrier, beside, 0, 0)
			if err != nil {
				return nil, err
			}
			reading = conformance.Reading{
				Value: worst.ratio, At: (worst.adjacent.Low + worst.adjacent.High) / 2, CarrierPower: worst.power, Uncertainty: budget.Expanded, Budget: budget,
			}
		}
		reading.Key = r.Key
		readings = append(readings, reading)
	}
	return readings, nil
}

// efficiencyReading has the uncertainty of the output power alone: how well the
// unit knows its supply is not known.
func (s Setup) efficiencyReading(o operated) (conformance.Reading, error) {
	c := s.Subject.Carrier
	if o.efficiency == 0 {
		return conformance.Reading{}, fmt.Errorf("procedure: the unit was not asked for its supply, or has none: no efficiency")
	}
	path, err := s.pathIn(around(c.Center, c.Configured()))
	if err != nil {
		return conformance.Reading{}, err
	}
	parts, err := s.Accuracy.parts(path)
	if err != nil {
		return conformance.Reading{}, fmt.Errorf("procedure: %w", err)
	}
	parts = append(parts, s.Accuracy.repeated()...)
	for i := range parts { // a decibel moves a power by ln 10/10 of itself
		parts[i].Sensitivity = o.efficiency * decibelShare
	}
	budget, err := combined(parts)
	if err != nil {
		return conformance.Reading{}, err
	}
	return conformance.Reading{Value: o.efficiency, At: c.Center, CarrierPower: o.power, Uncertainty: budget.Expanded, Budget: budget}, nil
}

// decibelShare is ln 10 / 10.
const decibelShare = 0.23025850929940458

func (s Setup) outputCurves(traces []Trace) ([]Curve, error) {
	ratio := Curve{Title: "Leakage ratio against output power", XName: "output power", XUnit: "dBm", YName: "leakage ratio", YUnit: "dB"}
	efficiency := Curve{Title: "Efficiency against output power, one connector on", XName: "output power", XUnit: "dBm", YName: "efficiency", YUnit: "%"}
	supply := Curve{Title: "Supply power against output power", XName: "output power", XUnit: "dBm", YName: "supply power", YUnit: "W"}
	if l := s.Health.LeakageRatio; l != nil {
		least := float64(*l)
		ratio.Lower = &least
	}
	for _, stage := range s.outputStages() {
		o, err := s.operate(traces, stage)
		if err != nil {
			return nil, err
		}
		ratio.X, ratio.Y = append(ratio.X, o.power), append(ratio.Y, o.ratio)
		t, err := s.find(traces, attenuationRole(stage.Attenuation))
		if err != nil {
			return nil, err
		}
		if o.efficiency > 0 {
			efficiency.X, efficiency.Y = append(efficiency.X, o.power), append(efficiency.Y, o.efficiency)
			supply.X, supply.Y = append(supply.X, o.power), append(supply.Y, t.Unit.Volts*t.Unit.Amps)
		}
	}
	curves := []Curve{ratio}
	if len(efficiency.X) > 0 {
		curves = append(curves, efficiency, supply)
	}
	return curves, nil
}
