package conformance_test

import (
	"strings"
	"testing"

	"benchyard/jobs/conformance"
)

// What a file changes is what the difference shows, each figure with the one it
// replaces, and nothing else.
func TestDiff(t *testing.T) {
	base, set := conformance.Embedded(), laid(t, northLab)
	if same := conformance.Diff(base, conformance.Embedded()); same != nil {
		t.Errorf("a set differs from itself: %v", same)
	}
	want := []conformance.Change{
		{Clause: "6.2", Figure: "tolerance up to 3 GHz", Before: "0.7", After: "0.5", Source: "north-lab/3 budget 17"},
		{Clause: "6.5.3", Figure: "256QAM percent", Before: "3.5", After: "3.2", Source: "north-lab/3 order 4711"},
		{Clause: "6.6.3", Figure: "relative licensed bands core", Before: "45", After: "47", Source: "north-lab/3 order 4711"},
		{Clause: "6.6.4", Figure: "near above 3 GHz up to 6 GHz, n78", Before: "1.8", After: "2", Source: "north-lab/3 budget 18"},
		{Clause: "6.6.5", Figure: "additional:harbour-radar n78 bands", After: "[n78]", Source: "north-lab/3 licence 12"},
		{Clause: "6.6.5", Figure: "additional:harbour-radar n78 row 1", After: "-60 dBm in 1 MHz, 2.7 GHz to 2.9 GHz", Source: "north-lab/3 licence 12"},
		{Clause: "6.6.4", Figure: "additional:title-47 n1 bands", After: "[n1]", Source: "north-lab/3 47 CFR 27.53"},
		{Clause: "6.6.4", Figure: "additional:title-47 n1 row 1", After: "-13 dBm in 1 MHz, 500 kHz to 1.5 MHz from the channel edge", Source: "north-lab/3 47 CFR 27.53"},
		{Clause: "6.6.4", Figure: "additional:title-47 n1 tolerance at any frequency", After: "0", Source: "north-lab/3 47 CFR 27.53"},
		{Clause: "6.6.4", Figure: "additional:title-47 n1 option", After: "additional:fcc", Source: "north-lab/3 47 CFR 27.53"},
	}
	sameChanges(t, conformance.Diff(base, set), want)
	back := conformance.Diff(set, base)
	if len(back) != len(want) {
		t.Errorf("%d changes back, want %d: %v", len(back), len(want), back)
	}
	for _, c := range back {
		if c.Figure == "tolerance up to 3 GHz" && (c.Before != "0.5" || c.After != "0.7" || !strings.HasPrefix(c.Source, "TS 38.141-1")) {
			t.Errorf("back: %v", c)
		}
	}
}

func sameChanges(t *testing.T, got, want []conformance.Change) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%d changes, want %d", len(got), len(want))
	}
	for i, c := range got {
		if i >= len(want) || c != want[i] {
			t.Errorf("change %d is %+v", i+1, c)
		}
	}
}

// Two files over the same set, against each other.
func TestDiffOfTwoFiles(t *testing.T) {
	other := strings.NewReplacer("north-lab/3", "north-lab/4", "value: 0.5", "value: 0.6", "limit: -60", "limit: -62").Replace(northLab)
	sameChanges(t, conformance.Diff(laid(t, northLab), laid(t, other)), []conformance.Change{
		{Clause: "6.2", Figure: "tolerance up to 3 GHz", Before: "0.5", After: "0.6", Source: "north-lab/4 budget 17"},
		{Clause: "6.6.5", Figure: "additional:harbour-radar n78 row 1", Before: "-60 dBm in 1 MHz, 2.7 GHz to 2.9 GHz",
			After: "-62 dBm in 1 MHz, 2.7 GHz to 2.9 GHz", Source: "north-lab/4 licence 12"},
	})
}
