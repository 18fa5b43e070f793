package scheduler

import (
	"math/bits"
	"slices"
	"time"
)

// exactStops is up to how many families the best order is found by looking at
// all of them; above, by the nearest next one, improved.
const exactStops = 8

// costs are set-up times between families by their positions, from row to column.
type costs [][]time.Duration

func costsOf(families []Family, setUp SetUpTime) costs {
	c := make(costs, len(families))
	for i, from := range families {
		c[i] = make([]time.Duration, len(families))
		for k, to := range families {
			c[i][k] = setUp(from, to)
		}
	}
	return c
}

// of adds the set-ups of an order up, from what stands on the bench.
func (c costs) of(from int, order []int) time.Duration {
	var total time.Duration
	for _, f := range order {
		total += c[from][f]
		from = f
	}
	return total
}

// shortest returns the order of stops with the least set-up time in all, from
// what stands on the bench. Of equal ones it takes the one that is found first.
func (c costs) shortest(from int, stops []int) []int {
	switch {
	case len(stops) <= 1:
		return stops
	case len(stops) <= exactStops:
		return c.exact(from, stops)
	}
	return c.improved(from, c.nearest(from, stops))
}

// exact looks at every order, by the best way to each end through each set of
// stops (Held and Karp).
func (c costs) exact(from int, stops []int) []int {
	n := len(stops)
	type way struct {
		cost time.Duration
		prev int
	}
	best := make([]way, n<<n) // by set and end
	for set := 1; set < 1<<n; set++ {
		for end := range n {
			rest := set &^ (1 << end)
			switch {
			case rest == set:
				continue
			case rest == 0:
				best[set*n+end] = way{c[from][stops[end]], -1}
				continue
			}
			w := way{-1, -1}
			for prev := range n {
				if rest&(1<<prev) == 0 {
					continue
				}
				if d := best[rest*n+prev].cost + c[stops[prev]][stops[end]]; w.prev < 0 || d < w.cost {
					w = way{d, prev}
				}
			}
			best[set*n+end] = w
		}
	}
	set, end := 1<<n-1, 0
	for k := range n {
		if best[set*n+k].cost < best[set*n+end].cost {
			end = k
		}
	}
	order := make([]int, bits.OnesCount(uint(set)))
	for i := n - 1; i >= 0; i-- {
		order[i] = stops[end]
		set, end = set&^(1<<end), best[set*n+end].prev
	}
	return order
}

func (c costs) nearest(from int, stops []int) []int {
	left, order := slices.Clone(stops), []int{}
	for len(left) > 0 {
		near := 0
		for i := range left {
			if c[from][left[i]] < c[from][left[near]] {
				near = i
			}
		}
		from = left[near]
		order, left = append(order, from), slices.Delete(left, near, near+1)
	}
	return order
}

// improved turns stretches of an order around as long as that saves time (2-opt).
func (c costs) improved(from int, order []int) []int {
	for better := true; better; {
		better = false
		for i := range order {
			for k := i + 1; k < len(order); k++ {
				other := slices.Clone(order)
				slices.Reverse(other[i : k+1])
				if c.of(from, other) < c.of(from, order) {
					order, better = other, true
				}
			}
		}
	}
	return order
}
