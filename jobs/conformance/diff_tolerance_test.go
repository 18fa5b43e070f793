package conformance_test

import (
	"fmt"
	"testing"

	"benchyard/jobs/conformance"
)

// onlyTolerance is a file with one tolerance of the output power; the embedded
// set has 0.7 dB up to 3 GHz and 1 dB up to 6 GHz.
func onlyTolerance(t *testing.T, entry string) *conformance.Set {
	return laid(t, fmt.Sprintf("limits: lab/1\nbase: ts-38.141-1/2026-11\ntolerances:\n  - {clause: \"6.2\", %s, source: s}\n", entry))
}

// A row over two others changes both, in both directions of comparison: what it
// loosens is not hidden behind what it tightens.
func TestDiffOfARowOverSeveral(t *testing.T) {
	base, wide, zero := conformance.Embedded(), onlyTolerance(t, "up_to: 6GHz, value: 0.9, loosens: true, reason: r"), onlyTolerance(t, "up_to: 8GHz, value: 0")
	const ours, theirs = "lab/1 s", "TS 38.141-1 Annex C T C.1-1, 6.2"
	row := func(upTo, before, after, source string) conformance.Change {
		return conformance.Change{Clause: "6.2", Figure: "tolerance up to " + upTo, Before: before, After: after, Source: source}
	}
	for _, tt := range []struct {
		a, b *conformance.Set
		want []conformance.Change
	}{
		{base, wide, []conformance.Change{row("3 GHz", "0.7", "0.9", ours), row("6 GHz", "1", "0.9", ours)}},
		{wide, base, []conformance.Change{row("3 GHz", "0.9", "0.7", theirs), row("6 GHz", "0.9", "1", theirs)}},
		{base, zero, []conformance.Change{row("3 GHz", "0.7", "0", ours), row("6 GHz", "1", "0", ours), row("8 GHz", "", "0", ours)}},
		{zero, wide, []conformance.Change{row("6 GHz", "0", "0.9", ours), row("8 GHz", "0", "", ours)}},
		{base, onlyTolerance(t, "up_to: 2GHz, bands: [n1], value: 0.7"), nil}, // says again what is in force
	} {
		sameChanges(t, conformance.Diff(tt.a, tt.b), tt.want)
	}
}
