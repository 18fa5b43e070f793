package statistics

import (
	"fmt"
	"math"
	"slices"
)

// mostExact bounds the values of an exact test of two sets: above it the normal
// approximation is right to more digits than anybody reads.
const mostExact = 60

// RankTest compares two independent sets of values by their ranks.
type RankTest struct {
	N1, N2             int
	RankSum1, RankSum2 float64
	U1, U2             float64 // pairs in which the first (second) set has the greater value; equal ones count half
	ties               float64
	ranks              []float64 // of the first set, then of the second
	first, second      []float64 // sorted
}

// MannWhitney ranks two independent sets, of which each needs a value, against
// each other (NIST/SEMATECH e-Handbook 7.3.5).
func MannWhitney(first, second []float64) (RankTest, error) {
	for _, xs := range [][]float64{first, second} {
		if err := usable("a rank test", xs, 1); err != nil {
			return RankTest{}, err
		}
	}
	t := RankTest{N1: len(first), N2: len(second),
		first: slices.Sorted(slices.Values(first)), second: slices.Sorted(slices.Values(second))}
	t.ranks, t.ties = midranks(slices.Concat(t.first, t.second))
	for i, r := range t.ranks {
		if i < t.N1 {
			t.RankSum1 += r
		} else {
			t.RankSum2 += r
		}
	}
	n1, n2 := float64(t.N1), float64(t.N2)
	t.U1, t.U2 = t.RankSum1-n1*(n1+1)/2, t.RankSum2-n2*(n2+1)/2
	return t, nil
}

// Z is the normal deviate of U1, negative where the first set is lower. ties
// corrects the variance for equal values, continuity takes half a step off the
// difference. It is 0 where no value differs.
func (t RankTest) Z(ties, continuity bool) float64 {
	n1, n2, n := float64(t.N1), float64(t.N2), float64(t.N1+t.N2)
	variance := n1 * n2 * (n + 1) / 12
	if ties {
		variance -= n1 * n2 * t.ties / (12 * n * (n - 1))
	}
	d := t.U1 - n1*n2/2
	if continuity {
		d = math.Copysign(max(0, math.Abs(d)-0.5), d)
	}
	if d == 0 || variance <= 0 {
		return 0
	}
	return d / math.Sqrt(variance)
}

// P is the two-sided p value: exact for up to 60 values, above that by the
// normal approximation with both corrections.
func (t RankTest) P() float64 {
	if p, err := t.Exact(); err == nil {
		return p
	}
	return bothTails(t.Z(true, true))
}

// Exact is the two-sided p value over all ways to share the values out, equal
// ones kept equal: the share of ways whose rank sum lies at least as far from
// its mean. More than 60 values are refused.
func (t RankTest) Exact() (float64, error) {
	n := t.N1 + t.N2
	if n > mostExact {
		return 0, fmt.Errorf("statistics: an exact rank test takes at most %d values, there are %d; use the normal approximation", mostExact, n)
	}
	whole := doubled(t.ranks)
	seen, sum := 0, 0
	for i, r := range whole {
		sum += r
		if i < t.N1 {
			seen += r
		}
	}
	ways := subsetSums(whole, t.N1, sum)
	// Distances from the mean, times n, are whole numbers: nothing is rounded.
	far := abs(seen*n - t.N1*sum)
	var beyond, all float64
	for s, w := range ways {
		all += w
		if abs(s*n-t.N1*sum) >= far {
			beyond += w
		}
	}
	return beyond / all, nil
}

// subsetSums counts the ways to choose k of the numbers for every sum they may
// reach, up to sum.
func subsetSums(numbers []int, k, sum int) []float64 {
	ways := make([][]float64, k+1)
	for i := range ways {
		ways[i] = make([]float64, sum+1)
	}
	ways[0][0] = 1
	reach := 0
	for i, r := range numbers {
		reach += r
		for chosen := min(i+1, k); chosen >= 1; chosen-- {
			from, to := ways[chosen-1], ways[chosen]
			for s := reach; s >= r; s-- {
				to[s] += from[s-r]
			}
		}
	}
	return ways[k]
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}

// Shift is the estimate of Hodges and Lehmann: the median of all differences of
// a value of the first set less one of the second.
func (t RankTest) Shift() float64 {
	return middle(t.first, negated(t.second), t.N1*t.N2, sumsUpTo)
}

// ShiftInterval holds the shift at a two-sided confidence level: the
// differences that the rank test would not refuse, after Moses. Sets too small
// for the level leave the whole line.
func (t RankTest) ShiftInterval(level float64) Interval {
	n1, n2 := float64(t.N1), float64(t.N2)
	variance := n1 * n2 * (n1 + n2 + 1) / 12
	var ways []float64
	if n := t.N1 + t.N2; n <= mostExact {
		plain := make([]int, n)
		for i := range plain {
			plain[i] = i + 1
		}
		ways = subsetSums(plain, t.N1, n*(n+1)/2)[t.N1*(t.N1+1)/2:]
	}
	return bracket(t.first, negated(t.second), t.N1*t.N2, sumsUpTo, cutoff(ways, n1*n2/2, variance, level))
}

// cutoff returns how many of the ordered pairwise values fall off each end of
// an interval: the most k for which the lower tail of the statistic below k
// stays within half of 1-level. ways counts the statistic from 0; without it
// the normal approximation answers.
func cutoff(ways []float64, mean, variance, level float64) int {
	half := (1 - level) / 2
	if ways == nil {
		return int(math.Floor(mean + 0.5 - twoSided(level)*math.Sqrt(variance)))
	}
	all, below := 0.0, 0.0
	for _, w := range ways {
		all += w
	}
	for k, w := range ways {
		if below += w; below > half*all {
			return k
		}
	}
	return 0
}

// bracket takes k values off each end of the n ordered pairwise sums. The
// interval runs from the k-th from below to the k-th from above; none off means
// that no bound can be given.
func bracket(a, b []float64, n int, count func(a, b []float64, bound float64) int, k int) Interval {
	if k < 1 {
		return Interval{math.Inf(-1), math.Inf(1)}
	}
	return Interval{pairwise(a, b, k, count), pairwise(a, b, n+1-k, count)}
}

// negated returns -xs in rising order; xs is sorted.
func negated(xs []float64) []float64 {
	n := make([]float64, len(xs))
	for i, x := range xs {
		n[len(xs)-1-i] = -x
	}
	return n
}
