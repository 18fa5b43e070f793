package jobs

import (
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
)

// many is a lab of so many simulated benches with one unit in each of two slots.
func many(benches int) func(*sim.Config) {
	return func(c *sim.Config) {
		bench, units := c.Benches[0], slices.Clone(c.Units)
		c.Benches, c.Units = nil, nil
		for i := range benches {
			b := bench
			b.Name, b.Pads = fmt.Sprintf("bench-%d", i+1), bench.Pads[:2]
			c.Benches = append(c.Benches, b)
			for slot := 1; slot <= 2; slot++ {
				u := units[0]
				u.Serial, u.Bench, u.Slot = fmt.Sprintf("T4-%04d", 2*i+slot), b.Name, slot
				c.Units = append(c.Units, u)
			}
		}
	}
}

func TestScaleProbe(t *testing.T) {
	began := time.Now()
	b := newTestBed(t, 1, many(500))
	t.Log("lab", time.Since(began))
	began = time.Now()
	for range 3 {
		if _, err := Submit(t.Context(), b.pool, Submission{PlanDocument: []byte(powerPlan), Build: "2.5.0", By: "ann"}); err != nil {
			t.Fatal(err)
		}
		t.Log("submit", time.Since(began))
	}
}

func testScaleParse(t *testing.T) {
	c := sim.Demo(1)
	many(500)(&c)
	c.Faults = nil
	l, err := sim.Start(t.Context(), c, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	text := l.Inventory()
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	began := time.Now()
	parsed, err := lab.Parse("lab.yaml", text)
	took := time.Since(began)
	runtime.ReadMemStats(&after)
	if err != nil {
		t.Fatal(err)
	}
	alloc := after.TotalAlloc - before.TotalAlloc
	runtime.GC()
	runtime.ReadMemStats(&after)
	t.Log(len(text), took, "allocated", alloc>>20, "MB; heap", before.HeapAlloc>>20, after.HeapAlloc>>20, "sys", after.Sys>>20, len(parsed.Paths))
}
