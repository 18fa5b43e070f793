// Package procedure holds the methods of test: what to sweep for a clause of
// TS 38.141-1, and how the figures of that clause follow from the traces. There
// is one file per clause.
//
// The concept on one screen:
//
//	Plan(clause, setup)             the sweeps, as a list; pure
//	Acquire(ctx, analyzer, plan)    the same list with what the analyzer read
//	Analyze(clause, setup, traces)  readings, each under the key of its requirement; pure
//
// A procedure knows no verdict: it asks package conformance which requirements
// apply, measures what each of them speaks of, and leaves the judging to it.
// Traces are kept as read at the analyzer; Analyze raises them to the connector
// with the correction of the signal path, so stored traces can be analyzed again
// with a better correction.
//
// Decisions that hold for every clause: RMS detector, averaging over power,
// video bandwidth three times the resolution bandwidth, points no further apart
// than half of it. A sweep takes at least 2.5*span/RBW^2, and longer where the
// scatter of noise asks for it (see samples in sweep.go). TDD carriers are
// swept inside the ON period only. Every reading has its uncertainty budget: the
// path correction where it was taken, the scatter of the signal, and what
// Accuracy knows of the analyzer and the connections.
package procedure

import (
	"context"
	"fmt"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// SpectrumSource is what a procedure needs of a spectrum analyzer: one trace for
// one sweep, levels as they stand at its input.
type SpectrumSource interface {
	Sweep(ctx context.Context, sweep rf.Sweep) (rf.Spectrum, error)
}

// Setup is all that the sweeps and figures of one case depend on.
type Setup struct {
	Subject        conformance.Subject
	Correction     rf.Correction    // connector to analyzer
	Accuracy       Accuracy         // what is known of the bench beside it
	Attenuation    rf.DB            // analyzer input attenuation, from Budget
	ReferenceLevel rf.DBm           // at the analyzer input, from Budget
	Duplex         string           // "TDD" or "FDD"; empty takes that of the band
	AnalyzerRange  rf.Range         // what the analyzer tunes to; zero: not checked by Coverage
	Limits         *conformance.Set // where requirements come from; nil: the embedded set
	// LessFloor asks for the analyzer's noise to be taken out of the figures: Plan
	// sweeps everything once more with the transmitter muted, and Analyze wants
	// those traces. An occupied bandwidth is left alone.
	LessFloor bool
	// Health is the transceiver health test of the case, and PlanName the plan that
	// sets its limits; nil for clauses of the standard.
	Health   *conformance.Health
	PlanName string
}

// Requirements returns the limits of a clause that apply to the subject.
func (s Setup) Requirements(clause string) ([]conformance.Requirement, error) {
	if conformance.IsHealth(clause) {
		if s.Health == nil {
			return nil, fmt.Errorf("procedure: %s: no plan says what to measure and which limits hold", clause)
		}
		return s.Health.Requirements(clause, s.PlanName, s.Subject)
	}
	if s.Limits == nil {
		return conformance.Requirements(s.Subject, clause)
	}
	return s.Limits.Requirements(s.Subject, clause)
}

// Planned is one sweep of a case. Role names it within the case; Duration is
// what it takes at the least, averages and closed gate included. Muted sweeps
// show the noise floor: the transmitter has to be off.
type Planned struct {
	Role     string
	Sweep    rf.Sweep
	Duration time.Duration
	Muted    bool
	Stage    *Stage // of the transceiver health test; nil: as the unit was tuned
}

// method is the pair of pure functions that makes up a clause.
type method struct {
	plan    func(Setup, []conformance.Requirement) ([]Planned, error)
	analyze func(Setup, []conformance.Requirement, []Trace) ([]conformance.Reading, error)
}

// prepare finds the method of a clause, the requirements it answers, and the
// setup with its duplex mode filled in.
func prepare(clause string, s Setup) (method, Setup, []conformance.Requirement, error) {
	var m method
	switch clause {
	case conformance.OutputPowerClause:
		m = method{planOutputPower, analyzeOutputPower}
	case conformance.OccupiedBandwidthClause:
		m = method{planOccupiedBandwidth, analyzeOccupiedBandwidth}
	case conformance.LeakageRatioClause:
		m = method{planLeakageRatio, analyzeLeakageRatio}
	case conformance.OperatingBandClause:
		m = method{planOperatingBand, analyzeEmissions}
	case conformance.SpuriousEmissionsClause:
		m = method{planSpurious, analyzeEmissions}
	case conformance.ToneClause:
		m = method{planTone, analyzeTone}
	case conformance.FlatnessClause:
		m = method{planFlatness, analyzeFlatness}
	case conformance.LinearityClause:
		m = method{planLinearity, analyzeLinearity}
	case conformance.OutputClause:
		m = method{planOutput, analyzeOutput}
	default:
		return m, s, nil, fmt.Errorf("procedure: no method for clause %q", clause)
	}
	s, err := s.withDuplex()
	if err != nil {
		return m, s, nil, err
	}
	requirements, err := s.Requirements(clause)
	if err != nil {
		return m, s, nil, fmt.Errorf("procedure: %s: %w", clause, err)
	}
	if len(requirements) == 0 {
		return m, s, nil, fmt.Errorf("procedure: %s: no requirement applies to this carrier, so there is nothing to measure", clause)
	}
	return m, s, requirements, nil
}

// Plan returns the sweeps of one case, in the order they are to be taken, the
// muted ones last.
func Plan(clause string, s Setup) ([]Planned, error) {
	m, s, requirements, err := prepare(clause, s)
	if err != nil {
		return nil, err
	}
	planned, err := m.plan(s, requirements)
	if err != nil || !s.LessFloor || !hasFloor(clause) {
		return planned, err
	}
	return append(planned, muted(planned)...), nil
}

// Acquire takes the planned sweeps one after another. It stops at the first that
// fails: half a case has no figures.
func Acquire(ctx context.Context, source SpectrumSource, planned []Planned) ([]Trace, error) {
	traces := make([]Trace, 0, len(planned))
	for _, p := range planned {
		spectrum, err := source.Sweep(ctx, p.Sweep)
		if err != nil {
			return nil, fmt.Errorf("procedure: sweep %q from %s to %s: %w", p.Role, p.Sweep.Start, p.Sweep.Stop, err)
		}
		t := Trace{Role: p.Role, Sweep: p.Sweep, Spectrum: spectrum}
		if err := t.check(); err != nil {
			return nil, err
		}
		traces = append(traces, t)
	}
	return traces, nil
}

// Analyze returns the readings of one case, one for every requirement of the
// clause, at the connector. Where there are traces of muted sweeps, the noise
// floor they show is taken out of the readings (see CorrectFloor).
func Analyze(clause string, s Setup, traces []Trace) ([]conformance.Reading, error) {
	m, s, requirements, err := prepare(clause, s)
	if err != nil {
		return nil, err
	}
	levels, floor := parted(traces)
	readings, err := m.analyze(s, requirements, levels)
	if err != nil || !hasFloor(clause) || !s.LessFloor && len(floor) == 0 {
		return readings, err
	}
	return m.lessFloor(clause, s, requirements, Measured{levels, readings}, floor)
}

// Duration returns the sum of the durations: what the analyzer takes for a case
// at the least, settling and transfer apart.
func Duration(planned []Planned) time.Duration {
	var sum time.Duration
	for _, p := range planned {
		sum += p.Duration
	}
	return sum
}

// pathUncertainty returns the greatest expanded uncertainty of the correction in r.
func (s Setup) pathUncertainty(r rf.Range) (rf.DB, error) {
	greatest := rf.DB(0)
	for _, f := range []rf.Hertz{r.Low, r.High} {
		_, u, err := s.Correction.At(f)
		if err != nil {
			return 0, fmt.Errorf("procedure: %w", err)
		}
		greatest = max(greatest, u)
	}
	for _, p := range s.Correction {
		if r.Contains(p.Frequency) {
			greatest = max(greatest, p.Uncertainty)
		}
	}
	return greatest, nil
}
