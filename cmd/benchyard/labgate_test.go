package main

import (
	"strings"
	"testing"
)

// A plan for a TDD band, and units that have no other, are refused where the analyzer
// has no gated sweep; with a band it can measure there is a note.
func TestTDDWithoutAGate(t *testing.T) {
	pairs := []string{"instruments:", `dialects:
  - {name: no-gate, role: analyzer, inherits: SCPI-1999, commands: {gate_on: {unsupported: true}, gate_off: {unsupported: true}}}
instruments:`, "name: bench-1-analyzer", "dialect: no-gate\n    name: bench-1-analyzer"}
	const why = "the dialect no-gate of bench-1-analyzer has no gated sweep (gate_on)"
	file := inventory(t, pairs...)
	if _, errs := command(t, exitUsage, "lab", "check", file); !strings.Contains(errs, "T4-0001 can transmit in TDD bands only, and "+why) {
		t.Errorf("lab check: %s", errs)
	}
	mixed := inventory(t, append(pairs, "carriers: [{band: n78,", "carriers: [{band: n1, bandwidths: [20MHz], scs: [15kHz]}, {band: n78,")...)
	if _, errs := command(t, exitDone, "lab", "check", mixed); !strings.Contains(errs, "note: bench-1: plans for the TDD bands of its units will be refused: "+why) {
		t.Errorf("lab check with an FDD band: %s", errs)
	}
	if _, errs := command(t, exitUsage, "plan", "check", demoPlanFile(t), "--lab", mixed); !strings.Contains(errs, "T4-0001: band n78 is TDD: "+why) {
		t.Errorf("plan check: %s", errs)
	}
}
