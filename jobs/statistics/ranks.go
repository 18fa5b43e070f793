package statistics

import (
	"cmp"
	"math"
	"slices"
)

// ranked returns the indices of xs by rising value.
func ranked(xs []float64) []int {
	order := make([]int, len(xs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(xs[i], xs[j]) })
	return order
}

// midranks returns the rank of each value, from 1, equal values sharing the
// mean of their ranks, and the sum of t³-t over groups of t equal ones.
func midranks(xs []float64) (ranks []float64, ties float64) {
	ranks = make([]float64, len(xs))
	order := ranked(xs)
	for i := 0; i < len(order); {
		j := i + 1
		for j < len(order) && xs[order[j]] == xs[order[i]] {
			j++
		}
		for _, k := range order[i:j] {
			ranks[k] = float64(i+1+j) / 2
		}
		t := float64(j - i)
		ties += t*t*t - t
		i = j
	}
	return ranks, ties
}

// doubled returns ranks times two, which are whole numbers.
func doubled(ranks []float64) []int {
	whole := make([]int, len(ranks))
	for i, r := range ranks {
		whole[i] = int(math.Round(2 * r))
	}
	return whole
}

// pairwise returns the k-th smallest, from 1, of all sums x + y with x from a
// and y from b, both sorted, without making them: floats have an order of bits,
// and sums below a bound are counted along a staircase.
func pairwise(a, b []float64, k int, count func(a, b []float64, bound float64) int) float64 {
	low, high := orderOf(a[0]+b[0]), orderOf(a[len(a)-1]+b[len(b)-1])
	for low < high {
		mid := low + (high-low)/2
		if count(a, b, fromOrder(mid)) >= k {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return fromOrder(low)
}

// sumsUpTo counts pairs whose sum is at most bound.
func sumsUpTo(a, b []float64, bound float64) int {
	n, j := 0, len(b)
	for _, x := range a {
		for j > 0 && x+b[j-1] > bound {
			j--
		}
		n += j
	}
	return n
}

// ownSumsUpTo counts pairs of one list, each once and with itself, whose sum is
// at most bound.
func ownSumsUpTo(a, _ []float64, bound float64) int {
	both, self := sumsUpTo(a, a, bound), 0
	for _, x := range a {
		if x+x <= bound {
			self++
		}
	}
	return (both + self) / 2
}

// orderOf maps floats to whole numbers of the same order.
func orderOf(x float64) uint64 {
	bits := math.Float64bits(x + 0) // +0: one zero only
	if bits>>63 == 1 {
		return ^bits
	}
	return bits | 1<<63
}

func fromOrder(o uint64) float64 {
	if o>>63 == 1 {
		return math.Float64frombits(o &^ (1 << 63))
	}
	return math.Float64frombits(^o)
}

// middle is the median of the n pairwise sums.
func middle(a, b []float64, n int, count func(a, b []float64, bound float64) int) float64 {
	high := pairwise(a, b, n/2+1, count)
	if n%2 == 1 {
		return high
	}
	return pairwise(a, b, n/2, count)/2 + high/2
}
