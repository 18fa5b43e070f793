package procedure

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

// Stage is what a radio unit does while sweeps of the transceiver health test are
// taken; sweeps that follow each other with the same stage need no change. Without
// one the unit sends its test model at rated power, as it was tuned.
type Stage struct {
	Carrier     conformance.Carrier
	Tone        *Tone // instead of the test model
	Attenuation rf.DB // of the connector that is measured
	Calibration Calibration
	Alone       bool // all other connectors off, and the supply asked after each sweep
}

// Tone is the line that is sent.
type Tone struct {
	Offset rf.Hertz // from the middle of the carrier
	Level  rf.DB    // over full scale
}

// Calibration says how far the calibrations of a unit are to be.
type Calibration string

// The states of calibration that a stage may want.
const (
	Calibrated Calibration = ""         // the initial calibration made; tracking as the unit has it
	Untracked  Calibration = "initial"  // the initial calibration alone
	Settling   Calibration = "settling" // tracking is switched on, and the sweeps repeated until it has converged
	Tracked    Calibration = "tracking" // tracking has converged
)

// Lines are narrow: the sweep takes in twenty filters and the figure ten, so that
// all of a line is in it and little noise, also with a reference of 1 ppm.
const (
	lineFilter = rf.Kilohertz
	lineSpan   = 20 * lineFilter
	lineWindow = 10 * lineFilter
)

// steadyDwell is how long each point of a line is measured where nothing moves.
const steadyDwell = float64(lineSamples) / float64(lineFilter)

// continuous is the setup for a tone, which is there all the time with TDD units too.
func (s Setup) continuous() Setup {
	s.Duplex = "FDD"
	return s
}

// line plans the sweep of one line.
func (s Setup) line(role string, f rf.Hertz, stage *Stage) (Planned, error) {
	dwell := steadyDwell
	if stage.Calibration == Settling { // as fast as the filter follows: it shows how fast something falls
		dwell = 0
	}
	p, err := s.continuous().sweep(role, around(f, lineSpan), lineFilter, dwell)
	p.Stage = stage
	return p, err
}

// lineLevel is the power of a line at the connector.
func (s Setup) lineLevel(traces []Trace, role string, f rf.Hertz) (rf.DBm, error) {
	spectrum, err := s.continuous().atConnector(traces, role)
	if err != nil {
		return 0, err
	}
	power, err := dsp.ChannelPower(spectrum, around(f, lineWindow))
	if err != nil {
		return 0, fmt.Errorf("procedure: line %q: %w", role, err)
	}
	return power, nil
}

// leastTone is how far below what was asked for a tone still counts as there; a
// unit that is off by some decibels is to be measured.
const leastTone rf.DB = 15

// toneLevel is lineLevel of the tone itself, which has to be there.
func (s Setup) toneLevel(traces []Trace, role string, stage *Stage) (rf.DBm, error) {
	at := stage.Carrier.Center + stage.Tone.Offset
	power, err := s.lineLevel(traces, role, at)
	if err != nil {
		return 0, err
	}
	want := s.Subject.CarrierPower().Add(stage.Tone.Level - stage.Attenuation)
	if !(power >= want.Add(-leastTone)) {
		return 0, fmt.Errorf("procedure: %s at the connector at %s, where a tone of %s was asked for: no tone arrives; look at cable, switch and unit", power, at, want)
	}
	return power, nil
}

// test returns the health test of the case with its defaults.
func (s Setup) test(clause string) conformance.Health { return s.Health.Complete(clause) }

// tone is the stage of the case's tone.
func (s Setup) tone(clause string) *Stage {
	h := s.test(clause)
	return &Stage{Carrier: s.Subject.Carrier, Tone: &Tone{h.ToneOffset(s.Subject.Carrier), *h.Level}}
}

// Curve is a figure of the health test over what was varied, for people.
type Curve struct {
	Title        string
	XName, XUnit string
	YName, YUnit string
	X, Y         []float64
	Lower, Upper *float64 // limit of Y, nil where there is none
	// Lines says that the points are spectral lines, with nothing between them. Most
	// are then their upper limits one by one, nil where there is none.
	Lines bool
	Most  []*float64
}

// Curves returns what the traces of a health test show beside its figures. Other
// clauses have none.
func Curves(clause string, s Setup, traces []Trace) ([]Curve, error) {
	if !conformance.IsHealth(clause) || s.Health == nil {
		return nil, nil
	}
	s, err := s.withDuplex()
	if err != nil {
		return nil, err
	}
	switch clause {
	case conformance.ToneClause:
		return s.toneCurves(traces)
	case conformance.FlatnessClause:
		return s.flatnessCurve(traces)
	case conformance.LinearityClause:
		return s.linearityCurves(traces)
	}
	return s.outputCurves(traces)
}
