package conformance_test

import (
	"testing"

	"benchyard/jobs/conformance"
)

// BenchmarkRequirements builds every limit of one case.
func BenchmarkRequirements(b *testing.B) {
	c, err := conformance.Place("n78", conformance.Middle, 100e6, 30e3)
	if err != nil {
		b.Fatal(err)
	}
	s := conformance.Subject{Declaration: wideA(46), Carrier: c}
	for b.Loop() {
		if _, err := conformance.Requirements(s, ""); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkJudge judges one case of every clause, with series over the
// operating band and up to 19 GHz in half measurement bandwidths.
func BenchmarkJudge(b *testing.B) {
	c, err := conformance.Place("n78", conformance.Middle, 100e6, 30e3)
	if err != nil {
		b.Fatal(err)
	}
	list, err := conformance.Requirements(conformance.Subject{Declaration: wideA(46), Carrier: c}, "")
	if err != nil {
		b.Fatal(err)
	}
	readings := good(list, 46)
	for b.Loop() {
		if _, err := conformance.Judge(list, readings, conformance.DecisionRule{}); err != nil {
			b.Fatal(err)
		}
	}
}
