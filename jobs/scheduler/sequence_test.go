package scheduler

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// changeover are the symmetric set-up times of the example in minutes: A-B 10, A-C 25, B-C
// 20, none within a family.
func changeover(from, to Family) time.Duration {
	pair := from.Band + to.Band
	switch pair {
	case "AB", "BA":
		return 10 * time.Minute
	case "AC", "CA":
		return 25 * time.Minute
	case "BC", "CB":
		return 20 * time.Minute
	}
	return 0
}

// Jobs A30 C20 B15 A25 C35 B40 on a bench that is set up for A: first come, first
// served takes 265 min with 5 changes, the best order 195 min with 2, the worst
// 280 (computed by looking at every order).
func TestSequenceDependentSetUps(t *testing.T) {
	families, minutes := []string{"A", "C", "B", "A", "C", "B"}, []int{30, 20, 15, 25, 35, 40}
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	var jobs []Job
	for i, f := range families {
		jobs = append(jobs, Job{ID: fmt.Sprint(i), Unit: fmt.Sprint("u", i), Bench: "b", Family: Family{Band: f}, Queued: start.Add(time.Duration(i) * time.Second),
			Takes: Estimate{Median: time.Duration(minutes[i]) * time.Minute}})
	}
	fifo, at := time.Duration(0), Family{Band: "A"}
	for _, j := range jobs {
		fifo += changeover(at, j.Family) + j.Takes.Median
		at = j.Family
	}
	if fifo != 265*time.Minute {
		t.Errorf("first come, first served takes %s, want 265 min", fifo)
	}
	done := workOff(jobs, []Bench{{Name: "b", SetUp: Family{Band: "A"}}}, Policy{}, changeover, NewLedger(Policy{}), start.Add(time.Minute))
	changes, total := 0, time.Duration(0)
	for _, s := range done.stints {
		total += s.setUp + s.job.Takes.Median
		if s.setUp > 0 {
			changes++
		}
	}
	if total != 195*time.Minute || changes != 2 {
		t.Errorf("the bench takes %s with %d changes, want 195 min with 2", total, changes)
	}
}

func TestShortestOrderOfFamilies(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for n := 2; n <= 11; n++ {
		c := make(costs, n+1) // the last one stands on the bench
		stops := make([]int, n)
		for i := range c {
			c[i] = make([]time.Duration, n+1)
			for k := range c[i] {
				c[i][k] = time.Duration(1+random.IntN(60)) * time.Minute
			}
			if i < n {
				stops[i] = i
			}
		}
		got := c.shortest(n, stops)
		if sorted := slices.Sorted(slices.Values(got)); !slices.Equal(sorted, stops) {
			t.Fatalf("%d families: the order %v does not have each once", n, got)
		}
		if n <= 7 {
			if best := bruteForce(c, n, stops); c.of(n, got) != best {
				t.Errorf("%d families: the order costs %s, the best %s", n, c.of(n, got), best)
			}
		} else if near := c.of(n, c.nearest(n, stops)); c.of(n, got) > near {
			t.Errorf("%d families: the order costs %s, more than the nearest next one each time, %s", n, c.of(n, got), near)
		}
	}
}

func bruteForce(c costs, from int, left []int) time.Duration {
	if len(left) == 0 {
		return 0
	}
	best := time.Duration(1 << 62)
	for i, f := range left {
		rest := slices.Delete(slices.Clone(left), i, i+1)
		best = min(best, c[from][f]+bruteForce(c, f, rest))
	}
	return best
}
