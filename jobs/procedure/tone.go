package procedure

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

// A tone at +f shows what is wrong with a quadrature modulator, each at a place of
// its own (waveform facts 5.2): the oscillator at 0, rails that differ as an image
// at -f, and a cubic on the rails at -3f. A cubic of the amplifier adds nothing
// there.
var products = []struct {
	name  string
	times rf.Hertz
}{{"leakage", 0}, {"image", -1}, {"third", -3}}

// at returns where a product of the stage's tone stands.
func (st *Stage) at(times rf.Hertz) rf.Hertz { return st.Carrier.Center + times*st.Tone.Offset }

// planTone sweeps the tone and its products, before tracking calibrations, while
// they settle, and after, as far as the plan limits them. While they settle only
// what tracking removes is looked at.
func planTone(s Setup, requirements []conformance.Requirement) ([]Planned, error) {
	var planned []Planned
	add := func(stage *Stage, name string, times rf.Hertz, when string) error {
		p, err := s.line(when+"/"+name, stage.at(times), stage)
		planned = append(planned, p)
		return err
	}
	for _, when := range s.toneStages() {
		stage := s.tone(conformance.ToneClause)
		stage.Calibration = when.calibration
		if when.calibration != Settling {
			if err := add(stage, "tone", 1, when.name); err != nil {
				return nil, err
			}
		}
		for _, x := range products {
			if when.calibration == Settling && !s.settles(x.name) {
				continue
			}
			if err := add(stage, x.name, x.times, when.name); err != nil {
				return nil, err
			}
		}
	}
	return planned, nil
}

type toneStage struct {
	name        string
	calibration Calibration
}

// toneStages lists the stages that the limits need.
func (s Setup) toneStages() []toneStage {
	h := s.Health
	var list []toneStage
	if h.Before != nil {
		list = append(list, toneStage{"before", Untracked})
	}
	if h.Settle > 0 {
		list = append(list, toneStage{"settling", Settling})
	}
	if h.After != nil {
		list = append(list, toneStage{"after", Tracked})
	}
	return list
}

// settles reports whether a product has a limit to settle below.
func (s Setup) settles(product string) bool { return s.settledBelow(product) != nil }

func (s Setup) settledBelow(product string) *rf.DB {
	if product == "third" { // no calibration takes it away
		return nil
	}
	return s.Health.After.Most(product)
}

// analyzeTone takes every product over the tone of its own stage.
func analyzeTone(s Setup, requirements []conformance.Requirement, traces []Trace) ([]conformance.Reading, error) {
	var readings []conformance.Reading
	for _, r := range requirements {
		name := strings.TrimPrefix(r.Key, conformance.ToneClause+"/")
		var reading conformance.Reading
		var err error
		if name == "settling" {
			reading, err = s.settlingReading(traces)
		} else {
			when, product, _ := strings.Cut(name, "/")
			reading, err = s.productReading(traces, when, product)
		}
		if err != nil {
			return nil, err
		}
		reading.Key = r.Key
		readings = append(readings, reading)
	}
	return readings, nil
}

// productReading is one product in dB over the tone.
func (s Setup) productReading(traces []Trace, when, product string) (conformance.Reading, error) {
	stage := s.tone(conformance.ToneClause)
	tone, err := s.toneLevel(traces, when+"/tone", stage)
	if err != nil {
		return conformance.Reading{}, err
	}
	for _, x := range products {
		if x.name != product {
			continue
		}
		at := stage.at(x.times)
		power, err := s.lineLevel(traces, when+"/"+product, at)
		if err != nil {
			return conformance.Reading{}, err
		}
		budget, err := s.linesBudget(stage.at(1), at)
		if err != nil {
			return conformance.Reading{}, err
		}
		return conformance.Reading{
			Value: float64(power.Sub(tone)), At: at, CarrierPower: float64(tone), Uncertainty: budget.Expanded, Budget: budget,
		}, nil
	}
	return conformance.Reading{}, fmt.Errorf("procedure: a tone has no product %q", product)
}

// linesBudget is that of the ratio of two lines.
func (s Setup) linesBudget(one, other rf.Hertz) (*uncertainty.Budget, error) {
	first, err := s.pathIn(around(one, lineSpan))
	if err != nil {
		return nil, err
	}
	second, err := s.pathIn(around(other, lineSpan))
	if err != nil {
		return nil, err
	}
	var all []uncertainty.Part
	for _, side := range []struct {
		at   rf.Hertz
		path pathKnown
		sign float64
	}{{one, first, 1}, {other, second, -1}} {
		parts, err := s.Accuracy.parts(side.path)
		if err != nil {
			return nil, fmt.Errorf("procedure: %w", err)
		}
		for _, p := range parts {
			p.Name, p.Sensitivity = p.Name+", line at "+side.at.String(), side.sign
			all = append(all, p)
		}
	}
	return combined(all)
}

// course is one product while tracking settles.
type course struct {
	from, to []float64 // of each sweep, seconds since tracking was switched on
	level    []float64 // dB over the tone after it
	clock    string
}

// settlingRole names sweep n, from 1, of a repeated one.
func settlingRole(role string, n int) string { return fmt.Sprintf("%s/%d", role, n) }

// course reads a product over time.
func (s Setup) course(traces []Trace, product string, times rf.Hertz) (course, error) {
	var c course
	stage := s.tone(conformance.ToneClause)
	tone, err := s.toneLevel(traces, "after/tone", stage)
	if err != nil {
		return c, err
	}
	for n := 1; ; n++ {
		role := settlingRole("settling/"+product, n)
		t, err := s.continuous().find(traces, role)
		if err != nil {
			break
		}
		if t.Unit == nil || t.Unit.Clock == "" {
			return c, fmt.Errorf("procedure: trace %q has no time", role)
		}
		power, err := s.lineLevel(traces, role, stage.at(times))
		if err != nil {
			return c, err
		}
		c.from, c.to, c.clock = append(c.from, t.Unit.From), append(c.to, t.Unit.To), t.Unit.Clock
		c.level = append(c.level, float64(power.Sub(tone)))
	}
	if len(c.level) == 0 {
		return c, fmt.Errorf("procedure: there is no sweep of the %s while tracking settles: take the case again", product)
	}
	return c, nil
}

// settledWithin is how near to its final value a product has to stay, dB.
const settledWithin = 1.0

// settled returns between which times a product came near its final value for
// good. What it has to be below in the end its own limit says.
func (c course) settled(final float64) (after, before float64) {
	i := len(c.level)
	for i > 0 && c.level[i-1] <= final+settledWithin {
		i--
	}
	switch {
	case i == 0:
		return 0, c.to[0]
	case i == len(c.level):
		return c.from[i-1], math.Inf(1)
	}
	return c.from[i-1], c.to[i]
}

// settlingReading is the longest of the times in which image and leakage settle.
// Each lies between the sweep that last showed it unsettled and the one that first
// showed it settled, by the clock that stands beside the traces; the middle is
// taken and half the distance is its uncertainty.
func (s Setup) settlingReading(traces []Trace) (conformance.Reading, error) {
	var worst conformance.Reading
	found := false
	for _, x := range products {
		if !s.settles(x.name) {
			continue
		}
		c, err := s.course(traces, x.name, x.times)
		if err != nil {
			return worst, err
		}
		final, err := s.productReading(traces, "after", x.name)
		if err != nil {
			return worst, err
		}
		after, before := c.settled(final.Value)
		if math.IsInf(before, 1) {
			return worst, fmt.Errorf("procedure: the %s was still beside its final value of %.1f dB when tracking had converged by what the unit says: take the case again", x.name, final.Value)
		}
		value := (after + before) / 2
		if found && value <= worst.Value {
			continue
		}
		budget, err := combined([]uncertainty.Part{{
			Name: fmt.Sprintf("time between two sweeps of the %s, clock of the %s", x.name, c.clock), Kind: uncertainty.Rectangular, Value: (before - after) / 2,
		}})
		if err != nil {
			return worst, err
		}
		worst, found = conformance.Reading{Value: value, Uncertainty: budget.Expanded, Budget: budget}, true
	}
	if !found {
		return worst, errors.New("procedure: nothing was to settle")
	}
	return worst, nil
}

// toneCurves shows the lines before and after tracking, and between them how they
// settle.
func (s Setup) toneCurves(traces []Trace) ([]Curve, error) {
	var curves []Curve
	for _, when := range s.toneStages() {
		var some []Curve
		var err error
		if when.calibration == Settling {
			some, err = s.settlingCurves(traces)
		} else {
			some, err = s.lineCurve(traces, when.name)
		}
		if err != nil {
			return nil, err
		}
		curves = append(curves, some...)
	}
	return curves, nil
}

// lineCurve is the tone with its products at one stage, each with its own limit.
func (s Setup) lineCurve(traces []Trace, when string) ([]Curve, error) {
	stage := s.tone(conformance.ToneClause)
	if _, err := s.toneLevel(traces, when+"/tone", stage); err != nil {
		return nil, err
	}
	c := Curve{
		Title: "Tone and products " + when + " tracking", XName: "offset from the carrier", XUnit: "MHz", YName: "level over the tone", YUnit: "dB",
		Lines: true,
	}
	add := func(times rf.Hertz, level float64, most *rf.DB) {
		c.X, c.Y = append(c.X, float64(times*stage.Tone.Offset)/1e6), append(c.Y, level)
		var limit *float64
		if most != nil {
			x := float64(*most)
			limit = &x
		}
		c.Most = append(c.Most, limit)
	}
	lines := map[string]*conformance.Lines{"before": s.Health.Before, "after": s.Health.After}[when]
	add(1, 0, nil)
	for _, x := range products {
		r, err := s.productReading(traces, when, x.name)
		if err != nil {
			return nil, err
		}
		add(x.times, r.Value, lines.Most(x.name))
	}
	return []Curve{c}, nil
}

// settlingCurves shows image and leakage while tracking settles.
func (s Setup) settlingCurves(traces []Trace) ([]Curve, error) {
	var curves []Curve
	for _, x := range products {
		limit := s.settledBelow(x.name)
		if limit == nil {
			continue
		}
		c, err := s.course(traces, x.name, x.times)
		if err != nil {
			return nil, err
		}
		most := float64(*limit)
		curve := Curve{
			Title: "Settling of the " + x.name, XName: "time since tracking began, by the clock of the " + c.clock, XUnit: "s",
			YName: x.name + " over the tone", YUnit: "dB", Y: c.level, Upper: &most,
		}
		for i := range c.level {
			curve.X = append(curve.X, (c.from[i]+c.to[i])/2)
		}
		curves = append(curves, curve)
	}
	return curves, nil
}
