package jobs

import (
	"benchyard/jobs/conformance"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"
)

// judge computes the figures of a case from its traces and holds them against
// their limits. It touches no instrument: stored traces are judged the same way,
// those of the noise floor among them (see procedure.Analyze).
func judge(clause string, s procedure.Setup, traces []procedure.Trace, rule conformance.DecisionRule) ([]conformance.Result, error) {
	readings, err := procedure.Analyze(clause, s, traces)
	if err != nil {
		return nil, err
	}
	requirements, err := s.Requirements(clause)
	if err != nil {
		return nil, err
	}
	judged, err := conformance.Judge(requirements, readings, rule)
	for i := range judged {
		judged[i].Correction = s.LossAt(judged[i])
	}
	return judged, err
}

func worst(found []conformance.Result) conformance.Verdict {
	verdicts := make([]conformance.Verdict, len(found))
	for i, r := range found {
		verdicts[i] = r.Verdict
	}
	return conformance.Worst(verdicts)
}

// evidence copies traces into their record.
func evidence(traces []procedure.Trace) []results.Trace {
	kept := make([]results.Trace, len(traces))
	for i, t := range traces {
		kept[i] = results.Trace{Role: t.Role, Sweep: t.Sweep, Spectrum: t.Spectrum, Unit: t.Unit}
	}
	return kept
}
