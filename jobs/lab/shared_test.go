package lab_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
)

// Two benches with one analyzer between them: it is there once, belongs to both, and
// holds up both when its calibration runs out.
func TestSharedAnalyzer(t *testing.T) {
	c := sim.Demo(1)
	c.Benches[1].Analyzer = "bench-1"
	simulated, err := sim.Start(context.Background(), c, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer simulated.Close()
	l, err := lab.Parse("lab.yaml", simulated.Inventory())
	if err != nil {
		t.Fatal(err)
	}
	if on := l.BenchesOf("bench-1-analyzer"); !slices.Equal(on, []string{"bench-1", "bench-2"}) {
		t.Errorf("the analyzer is on %q", on)
	}
	if on := l.BenchesOf("bench-2-supply"); !slices.Equal(on, []string{"bench-2"}) {
		t.Errorf("a supply is on %q", on)
	}
	var blocked []string
	for _, d := range l.CalibrationDueBefore(lab.DateOf(time.Now().AddDate(1, 0, 0))) {
		if d.What == "instrument bench-1-analyzer" {
			blocked = append(blocked, d.Bench)
		}
	}
	if !slices.Equal(blocked, []string{"bench-1", "bench-2"}) {
		t.Errorf("its calibration holds up %q, want both", blocked)
	}
}
