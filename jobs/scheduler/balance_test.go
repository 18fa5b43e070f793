package scheduler

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// noSetUp is for jobs without families.
func noSetUp(_, _ Family) time.Duration { return 0 }

// identical is a balance of jobs without families on benches that are alike.
func identical(minutes []int, benches int) *balance {
	b := &balance{setUp: noSetUp, families: []Family{{}}}
	var all []int
	for s := range benches {
		all = append(all, s)
		b.stations = append(b.stations, station{slower: 1, finishes: func(d time.Duration) time.Duration { return d }})
	}
	for _, m := range minutes {
		b.loads = append(b.loads, load{work: time.Duration(m) * time.Minute, families: []int{0}, benches: all})
	}
	return b
}

func (b *balance) minutes() int { return int(math.Round(60 * b.makespan())) }

// Makespans of list scheduling (first come, first served), of the longest first,
// and the best possible ones, of identical benches. The examples at which the bound
// 4/3 - 1/(3m) of the longest first is reached are from R. L. Graham, "Bounds on
// multiprocessing timing anomalies", SIAM J. Appl. Math. 17 (1969) 416, that of
// 2 - 1/m for any list is the last row (Graham 1966); the best were computed by
// looking at every assignment. Zero: not stated there.
func TestGraham(t *testing.T) {
	for _, c := range []struct {
		jobs                     []int
		benches, fifo, lpt, best int
	}{
		{[]int{3, 3, 2, 2, 2}, 2, 0, 7, 6},
		{[]int{5, 5, 4, 4, 3, 3, 3}, 3, 0, 11, 9},
		{[]int{7, 7, 6, 6, 5, 5, 4, 4, 4}, 4, 0, 15, 12},
		{[]int{90, 75, 75, 60, 45, 45, 40, 30, 30, 20}, 3, 0, 180, 175},
		{[]int{4, 5, 6, 7, 8}, 2, 18, 17, 15},
		{[]int{4, 5, 6, 7, 8}, 3, 13, 11, 11},
		{[]int{1, 1, 1, 1, 1, 1, 3}, 3, 5, 0, 3},
	} {
		t.Run(fmt.Sprint(c.jobs, " on ", c.benches), func(t *testing.T) {
			b := identical(c.jobs, c.benches)
			b.list([]int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}[:len(c.jobs)])
			if got := b.minutes(); c.fifo != 0 && got != c.fifo {
				t.Errorf("first come, first served ends at %d, want %d", got, c.fifo)
			}
			b.list(b.longestFirst())
			if got := b.minutes(); c.lpt != 0 && got != c.lpt {
				t.Errorf("longest first ends at %d, want %d", got, c.lpt)
			}
			b.restore(b.solve())
			if got := b.minutes(); got != c.best {
				t.Errorf("the plan ends at %d, the best is %d", got, c.best)
			}
		})
	}
}

// Where every assignment can be looked at, the plan is compared with the best.
func TestBalanceAgainstEveryAssignment(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	worst := 1.0
	for range 60 {
		minutes := make([]int, 7)
		for i := range minutes {
			minutes[i] = 10 + random.IntN(90)
		}
		b := identical(minutes, 3)
		best := everyAssignment(minutes, make([]int, 3))
		b.restore(b.solve())
		got := b.minutes()
		if got < best {
			t.Fatalf("%v: the plan ends at %d, before the best possible %d", minutes, got, best)
		}
		worst = max(worst, float64(got)/float64(best))
	}
	if worst > 1.02 {
		t.Errorf("a plan is %.3f of the best one", worst)
	}
}

func everyAssignment(minutes, loads []int) int {
	if len(minutes) == 0 {
		return slices.Max(loads)
	}
	best := 1 << 30
	for i := range loads {
		loads[i] += minutes[0]
		best = min(best, everyAssignment(minutes[1:], loads))
		loads[i] -= minutes[0]
	}
	return best
}
