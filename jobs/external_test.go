package jobs

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
	"benchyard/jobs/procedure"
)

// exported writes a stored trace as the text that people pass around.
func exported(t procedure.Trace) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# %s\nfreq_hz,level_dbm\n", t.Role)
	for i, level := range t.Spectrum.Levels {
		fmt.Fprintf(&b, "%.3f,%g\n", float64(t.Spectrum.Frequency(i)), level)
	}
	return b.String()
}

// The stored traces of a run, written as text and read back as traces from
// elsewhere, give the figures and the verdicts of the run: every clause, of a TDD
// and of an FDD unit.
func TestExportedTracesGiveTheFiguresOfTheRun(t *testing.T) {
	t.Parallel() // it waits more than it works
	for _, c := range storedCases(t) {
		var files []procedure.External
		for _, trace := range c.traces {
			s, err := procedure.ReadTrace(trace.Role, strings.NewReader(exported(trace)))
			if err != nil {
				t.Fatalf("%s: %v", c.Key, err)
			}
			s.RBW, s.NoiseBandwidth = trace.Spectrum.RBW, trace.Spectrum.NoiseBandwidth
			files = append(files, procedure.External{Name: trace.Role, Spectrum: s})
		}
		said, err := procedure.AnalyzeExternal(c.Clause, c.setup, files)
		if err != nil || len(said.Missing) > 0 {
			t.Errorf("%s: %v, missing %v", c.Key, err, said.Missing)
			continue
		}
		got, err := conformance.Judge(said.Requirements, said.Readings, conformance.DecisionRule{Name: conformance.SharedRisk})
		if err != nil || len(got) != len(c.Results) {
			t.Errorf("%s: %d results, %v; %d are stored", c.Key, len(got), err, len(c.Results))
			continue
		}
		for _, r := range got {
			was := c.Results[slices.IndexFunc(c.Results, func(x conformance.Result) bool { return x.Requirement.Key == r.Requirement.Key })]
			// Frequencies are written to the millihertz, which moves a figure by less than a nanodecibel.
			if math.Abs(r.Value-was.Value) > 1e-8*max(1, math.Abs(was.Value)) || r.Verdict != was.Verdict || math.Abs(float64(r.At-was.At)) > 1 {
				t.Errorf("%s %s: %v at %s %s, the run has %v at %s %s", c.Key, r.Requirement.Key, r.Value, r.At, r.Verdict, was.Value, was.At, was.Verdict)
			}
		}
	}
}
