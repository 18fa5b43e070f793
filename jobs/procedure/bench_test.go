package procedure

import (
	"testing"

	"benchyard/jobs/conformance"
)

// BenchmarkAnalyze measures what a case costs between the last trace and the
// readings, for the two clauses with the most points.
func BenchmarkAnalyze(b *testing.B) {
	carrier, err := conformance.Place("n78", conformance.Middle, 100e6, 30e3)
	if err != nil {
		b.Fatal(err)
	}
	k := kinds()[0]
	s := Setup{Subject: conformance.Subject{Declaration: k.declaration, Carrier: carrier}, Correction: k.path()}
	for _, clause := range []string{conformance.OperatingBandClause, conformance.SpuriousEmissionsClause} {
		planned, err := Plan(clause, s)
		if err != nil {
			b.Fatal(err)
		}
		traces, err := Acquire(b.Context(), source(s, 50), planned)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(clause, func(b *testing.B) {
			for b.Loop() {
				if _, err := Analyze(clause, s, traces); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
