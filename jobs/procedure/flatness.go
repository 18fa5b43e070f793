package procedure

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

// places are the carriers over the tuning range, from bottom to top of the band.
func (s Setup) places() ([]*Stage, error) {
	set, c := s.Limits, s.Subject.Carrier
	if set == nil {
		set = conformance.Embedded()
	}
	carriers, err := set.PlaceSpread(c.Band, c.Bandwidth, c.SCS, s.test(conformance.FlatnessClause).Places)
	if err != nil {
		return nil, fmt.Errorf("procedure: %w", err)
	}
	if len(carriers) < 2 {
		return nil, fmt.Errorf("procedure: %s holds a %s channel at one place only: there is no tuning range", c.Band, c.Bandwidth)
	}
	var stages []*Stage
	for _, k := range carriers {
		stage := s.tone(conformance.FlatnessClause)
		stage.Carrier = k
		stages = append(stages, stage)
	}
	return stages, nil
}

func placeRole(i int) string { return fmt.Sprintf("place/%d", i+1) }

// planFlatness sweeps the tone at every place.
func planFlatness(s Setup, _ []conformance.Requirement) ([]Planned, error) {
	stages, err := s.places()
	if err != nil {
		return nil, err
	}
	var planned []Planned
	for i, stage := range stages {
		p, err := s.line(placeRole(i), stage.at(1), stage)
		if err != nil {
			return nil, err
		}
		planned = append(planned, p)
	}
	return planned, nil
}

// powers returns frequency and power of the tone at every place.
func (s Setup) powers(traces []Trace) (at, power []float64, err error) {
	stages, err := s.places()
	for i, stage := range stages {
		p, err := s.toneLevel(traces, placeRole(i), stage)
		if err != nil {
			return nil, nil, err
		}
		at, power = append(at, float64(stage.at(1))), append(power, float64(p))
	}
	return at, power, err
}

// analyzeFlatness is the difference of the greatest and the least power.
func analyzeFlatness(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	at, power, err := s.powers(traces)
	if err != nil {
		return nil, err
	}
	low, high := 0, 0
	for i, p := range power {
		if p < power[low] {
			low = i
		}
		if p > power[high] {
			high = i
		}
	}
	budget, err := s.linesBudget(rf.Hertz(at[high]), rf.Hertz(at[low]))
	if err != nil {
		return nil, err
	}
	var readings []conformance.Reading
	for _, r := range requirements {
		readings = append(readings, conformance.Reading{
			Key: r.Key, Value: power[high] - power[low], At: rf.Hertz(at[low]), CarrierPower: power[low], Uncertainty: budget.Expanded, Budget: budget,
		})
	}
	return readings, nil
}

func (s Setup) flatnessCurve(traces []Trace) ([]Curve, error) {
	at, power, err := s.powers(traces)
	if err != nil {
		return nil, err
	}
	c := Curve{Title: "Power over the tuning range", XName: "tone at", XUnit: "MHz", YName: "power", YUnit: "dBm", Y: power}
	for _, f := range at {
		c.X = append(c.X, f/1e6)
	}
	return []Curve{c}, nil
}

func attenuationRole(a rf.DB) string { return fmt.Sprintf("attenuation/%g", float64(a)) }

// attenuated returns a stage of the case for every attenuation.
func (s Setup) attenuated(clause string) []*Stage {
	var stages []*Stage
	for _, a := range s.test(clause).Attenuations() {
		stage := s.tone(clause)
		stage.Attenuation = a
		stages = append(stages, stage)
	}
	return stages
}

// planLinearity sweeps the tone behind every attenuation.
func planLinearity(s Setup, _ []conformance.Requirement) ([]Planned, error) {
	var planned []Planned
	for _, stage := range s.attenuated(conformance.LinearityClause) {
		p, err := s.line(attenuationRole(stage.Attenuation), stage.at(1), stage)
		if err != nil {
			return nil, err
		}
		planned = append(planned, p)
	}
	return planned, nil
}

// straight is the straight line of least squares through power over attenuation.
type straight struct {
	x, y                  []float64
	slope, offset, spread float64 // spread: sum of squares of x about its mean
}

func (s Setup) straight(traces []Trace) (straight, error) {
	var l straight
	for _, stage := range s.attenuated(conformance.LinearityClause) {
		p, err := s.toneLevel(traces, attenuationRole(stage.Attenuation), stage)
		if err != nil {
			return l, err
		}
		l.x, l.y = append(l.x, float64(stage.Attenuation)), append(l.y, float64(p))
	}
	n, mx, my, sxy := float64(len(l.x)), 0.0, 0.0, 0.0
	for i := range l.x {
		mx, my = mx+l.x[i]/n, my+l.y[i]/n
	}
	for i := range l.x {
		l.spread += (l.x[i] - mx) * (l.x[i] - mx)
		sxy += (l.x[i] - mx) * (l.y[i] - my)
	}
	l.slope = sxy / l.spread
	l.offset = my - l.slope*mx
	return l, nil
}

// beside returns how far each point lies above the line.
func (l straight) beside() []float64 {
	out := make([]float64, len(l.x))
	for i := range l.x {
		out[i] = l.y[i] - l.offset - l.slope*l.x[i]
	}
	return out
}

// analyzeLinearity fits a straight line: by how much the power falls per decibel
// of attenuation, and what lies furthest beside it. Path and connection are the
// same for all points and drop out.
func analyzeLinearity(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	l, err := s.straight(traces)
	if err != nil {
		return nil, err
	}
	furthest := 0.0
	for _, d := range l.beside() {
		furthest = max(furthest, math.Abs(d))
	}
	// A level of the analyzer errs by half of Level as a standard uncertainty.
	level := float64(s.Accuracy.Level) / 2
	var readings []conformance.Reading
	for _, r := range requirements {
		reading := conformance.Reading{Key: r.Key, Value: furthest, At: s.tone(r.Clause).at(1)}
		standard := level
		if r.Key == conformance.LinearityClause+"/slope" {
			reading.Value, standard = -l.slope, level/math.Sqrt(l.spread)
		}
		if reading.Budget, err = combined([]uncertainty.Part{{Name: "analyzer level", Kind: uncertainty.Standard, Value: standard}}); err != nil {
			return nil, err
		}
		reading.Uncertainty = reading.Budget.Expanded
		readings = append(readings, reading)
	}
	return readings, nil
}

func (s Setup) linearityCurves(traces []Trace) ([]Curve, error) {
	l, err := s.straight(traces)
	if err != nil {
		return nil, err
	}
	deviation := Curve{Title: "What lies beside the straight line", XName: "attenuation", XUnit: "dB", YName: "deviation", YUnit: "dB", X: l.x, Y: l.beside()}
	if d := s.Health.Deviation; d != nil {
		low, high := -float64(*d), float64(*d)
		deviation.Lower, deviation.Upper = &low, &high
	}
	return []Curve{{Title: "Power against attenuation", XName: "attenuation", XUnit: "dB", YName: "power", YUnit: "dBm", X: l.x, Y: l.y}, deviation}, nil
}
