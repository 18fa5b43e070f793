package procedure

import (
	"errors"
	"fmt"

	"benchyard/instruments/rf"
)

// Coverage reports every span that the case would sweep and that the path
// correction, or the analyzer where its range is known, does not reach. It
// needs no instrument: ask before anything transmits.
func Coverage(clause string, s Setup) error {
	planned, err := Plan(clause, s)
	if err != nil {
		return err
	}
	if err := s.Correction.Validate(); err != nil {
		return fmt.Errorf("procedure: %s: %w", clause, err)
	}
	var missing []error
	for _, p := range planned {
		r := rf.Range{Low: p.Sweep.Start, High: p.Sweep.Stop}
		missing = append(missing, uncovered(clause, p.Role, "the correction of the signal path", s.Correction.Range(), r)...)
		if s.AnalyzerRange != (rf.Range{}) {
			missing = append(missing, uncovered(clause, p.Role, "the analyzer", s.AnalyzerRange, r)...)
		}
	}
	return errors.Join(missing...)
}

// uncovered names the parts of want, below and above, that have does not reach.
func uncovered(clause, role, what string, have, want rf.Range) []error {
	var out []error
	name := func(low, high rf.Hertz) {
		out = append(out, fmt.Errorf("procedure: %s: %s ends short: %s to %s is missing for sweep %q (it covers %s to %s)",
			clause, what, low, high, role, have.Low, have.High))
	}
	if want.Low < have.Low {
		name(want.Low, min(want.High, have.Low))
	}
	if want.High > have.High {
		name(max(want.Low, have.High), want.High)
	}
	return out
}
