package plan

import (
	"cmp"

	"benchyard/jobs/conformance"
)

// What is done about the noise floor of the analyzer.
const (
	// CorrectFloor sweeps a case again with the transmitter muted, which takes as
	// long once more, and takes the noise that shows out of its figures. An
	// occupied bandwidth is never corrected.
	CorrectFloor = "correct"
	// KeepFloor is the default: figures stay as measured.
	KeepFloor = "keep"
)

// noiseFloor checks the words, and leaves out those that change nothing: a
// default written out gives the hash of one left out.
func (c *checker) noiseFloor() {
	known := func(path, word string) bool {
		return !c.Has(path) || c.OneOf(path, "noise_floor", word, CorrectFloor, KeepFloor)
	}
	p := c.plan
	if known("noise_floor", p.NoiseFloor); p.NoiseFloor == KeepFloor {
		p.NoiseFloor = ""
	}
	for i := range p.Tests {
		t, path := &p.Tests[i], at("tests[%d].noise_floor", i)
		if known(path, t.NoiseFloor) && t.NoiseFloor == CorrectFloor && neverCorrected(t.Clause) {
			c.Report(path, "clause %s: %s is never corrected for the noise floor", t.Clause, uncorrected(t.Clause))
		}
		if t.NoiseFloor == cmp.Or(p.NoiseFloor, KeepFloor) {
			t.NoiseFloor = ""
		}
	}
}

// lessFloor reports whether a test wants the noise floor taken out.
func (p *Plan) lessFloor(t Test) bool {
	return cmp.Or(t.NoiseFloor, p.NoiseFloor) == CorrectFloor && !neverCorrected(t.Clause)
}

// neverCorrected reports whether noise stays in the figures of a clause.
func neverCorrected(clause string) bool {
	return clause == conformance.OccupiedBandwidthClause || conformance.IsHealth(clause)
}

func uncorrected(clause string) string {
	if conformance.IsHealth(clause) {
		return "the transceiver health test"
	}
	return "an occupied bandwidth"
}
