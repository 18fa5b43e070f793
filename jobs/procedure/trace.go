package procedure

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Trace is a planned sweep with what was read: levels at the analyzer input,
// uncorrected.
type Trace struct {
	Role     string
	Sweep    rf.Sweep
	Spectrum rf.Spectrum
	Unit     *conformance.Observation // what the radio unit told; nil: it was not asked
}

// otherFilter is by how much the resolution bandwidth in force may differ from
// the one asked for: analyzers have filters of their own. The figures follow
// the bandwidth in force.
const otherFilter = 0.1

// check reports the first reason why the trace is no answer to its sweep: levels
// that were not measured, another number of points, another span, another filter.
func (t Trace) check() error {
	s, asked := t.Spectrum, t.Sweep
	if err := s.Validate(); err != nil {
		return fmt.Errorf("procedure: trace %q: %w", t.Role, err)
	}
	slack := s.Step / 100
	switch {
	case len(s.Levels) != asked.Points:
		return fmt.Errorf("procedure: trace %q has %d points, asked were %d", t.Role, len(s.Levels), asked.Points)
	case !within(s.Start, asked.Start, slack) || !within(s.Stop(), asked.Stop, slack):
		return fmt.Errorf("procedure: trace %q runs from %s to %s, asked was %s to %s", t.Role, s.Start, s.Stop(), asked.Start, asked.Stop)
	case !within(s.RBW, asked.RBW, otherFilter*asked.RBW):
		return fmt.Errorf("procedure: trace %q was taken through a filter of %s, asked was %s", t.Role, s.RBW, asked.RBW)
	}
	return nil
}

func within(a, b, slack rf.Hertz) bool { return math.Abs(float64(a-b)) <= float64(slack) }

// find returns the trace of a role, if it is a measurement of this setup: an
// answer to its sweep, and inside the ON period of a TDD carrier, whose OFF
// period would make every emission look weaker.
func (s Setup) find(traces []Trace, role string) (Trace, error) {
	for _, t := range traces {
		if t.Role != role {
			continue
		}
		if s.Duplex == "TDD" && t.Sweep.Gate == nil {
			return Trace{}, fmt.Errorf("procedure: trace %q of a TDD carrier was taken without a gate: take the case again", role)
		}
		return t, t.check()
	}
	return Trace{}, fmt.Errorf("procedure: there is no trace %q among %d: take the whole case again", role, len(traces))
}

// atConnector finds the trace of a role and raises it to the connector.
func (s Setup) atConnector(traces []Trace, role string) (rf.Spectrum, error) {
	t, err := s.find(traces, role)
	if err != nil {
		return rf.Spectrum{}, err
	}
	spectrum, err := s.Correction.Apply(t.Spectrum)
	if err != nil {
		return rf.Spectrum{}, fmt.Errorf("procedure: trace %q: %w", role, err)
	}
	return spectrum, nil
}
