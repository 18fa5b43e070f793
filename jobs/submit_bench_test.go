package jobs

import (
	"fmt"
	"slices"
	"testing"

	"benchyard/instruments/sim"
)

// many is a lab of so many simulated benches with one unit in each of two slots.
func many(benches int) func(*sim.Config) {
	return func(c *sim.Config) {
		bench, unit := c.Benches[0], slices.Clone(c.Units)[0]
		c.Benches, c.Units = nil, nil
		for i := range benches {
			b := bench
			b.Name, b.Pads = fmt.Sprintf("bench-%d", i+1), bench.Pads[:2]
			c.Benches = append(c.Benches, b)
			for slot := 1; slot <= 2; slot++ {
				u := unit
				u.Serial, u.Bench, u.Slot = fmt.Sprintf("T4-%04d", 2*i+slot), b.Name, slot
				c.Units = append(c.Units, u)
			}
		}
	}
}

// What a submission costs for each run it queues, from a small lab to a big one: reading
// the inventory and checking every unit are part of it. The cost per run must not grow
// with the lab by more than half: it is the same work for each.
func BenchmarkSubmit(b *testing.B) {
	perRun := map[int]float64{}
	sizes := []int{10, 50, 200}
	for _, benches := range sizes {
		b.Run(fmt.Sprintf("benches=%d", benches), func(b *testing.B) {
			bed := newTestBed(b, 1, many(benches))
			for b.Loop() {
				if _, err := Submit(b.Context(), bed.pool, Submission{PlanDocument: []byte(powerPlan), Build: "2.5.0", By: "ann"}); err != nil {
					b.Fatal(err)
				}
			}
			runs := float64(2*benches) * float64(b.N)
			perRun[benches] = b.Elapsed().Seconds() / runs
			b.ReportMetric(1/perRun[benches], "runs/s")
		})
	}
	small, big := perRun[sizes[0]], perRun[sizes[len(sizes)-1]]
	if small > 0 && big > 1.5*small {
		b.Errorf("a run costs %.0f µs with %d benches and %.0f µs with %d", small*1e6, sizes[0], big*1e6, sizes[len(sizes)-1])
	}
}
