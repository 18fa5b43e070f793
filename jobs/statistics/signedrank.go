package statistics

import (
	"math"
	"slices"
)

// mostPairs bounds the pairs of an exact test.
const mostPairs = 100

// PairedTest compares two values each of the same units by the signed ranks of
// their differences.
type PairedTest struct {
	N              int     // pairs
	Moved          int     // of these, with a difference
	Plus, Minus    float64 // sums of the ranks of positive and negative differences
	ties           float64
	ranks, ordered []float64
}

// SignedRank ranks the differences of paired values by their size, after
// Wilcoxon. Pairs without a difference take no part in the test, but in the
// shift.
func SignedRank(differences []float64) (PairedTest, error) {
	if err := usable("a paired test", differences, 1); err != nil {
		return PairedTest{}, err
	}
	t := PairedTest{N: len(differences), ordered: slices.Sorted(slices.Values(differences))}
	var sizes []float64
	var positive []bool
	for _, d := range differences {
		if d != 0 {
			sizes, positive = append(sizes, math.Abs(d)), append(positive, d > 0)
		}
	}
	t.Moved = len(sizes)
	t.ranks, t.ties = midranks(sizes)
	for i, r := range t.ranks {
		if positive[i] {
			t.Plus += r
		} else {
			t.Minus += r
		}
	}
	return t, nil
}

// P is the two-sided p value that the differences lie around zero: exact for up
// to 100 that moved, above that by the normal approximation with corrections
// for ties and continuity. It is 1 where nothing moved.
func (t PairedTest) P() float64 {
	if t.Moved == 0 {
		return 1
	}
	if t.Moved > mostPairs {
		n := float64(t.Moved)
		variance := n*(n+1)*(2*n+1)/24 - t.ties/48
		return bothTails(max(0, math.Abs(t.Plus-t.Minus)/2-0.5) / math.Sqrt(variance))
	}
	whole := doubled(t.ranks)
	least := int(math.Round(2 * min(t.Plus, t.Minus)))
	below := 0.0
	for s, share := range signSums(whole) {
		if s <= least {
			below += share
		}
	}
	return min(1, 2*below)
}

// signSums returns the probability of every sum of the ranks whose sign came
// out positive, when a coin decides each sign.
func signSums(ranks []int) []float64 {
	sum := 0
	for _, r := range ranks {
		sum += r
	}
	share := make([]float64, sum+1)
	share[0] = 1
	reach := 0
	for _, r := range ranks {
		reach += r
		for s := reach; s >= 0; s-- {
			share[s] /= 2
			if s >= r {
				share[s] += share[s-r] / 2
			}
		}
	}
	return share
}

// Shift is the estimate of Hodges and Lehmann for pairs: the median of the
// means of all two differences, each also with itself.
func (t PairedTest) Shift() float64 {
	return middle(t.ordered, t.ordered, t.means(), ownSumsUpTo) / 2
}

func (t PairedTest) means() int { return t.N * (t.N + 1) / 2 }

// ShiftInterval holds the shift at a two-sided confidence level: the means of
// two differences that the test would not refuse, after Tukey. Fewer than six
// pairs leave the whole line at 95 %.
func (t PairedTest) ShiftInterval(level float64) Interval {
	n := float64(t.N)
	var ways []float64
	if t.N <= mostPairs {
		plain := make([]int, t.N)
		for i := range plain {
			plain[i] = i + 1
		}
		ways = signSums(plain)
	}
	i := bracket(t.ordered, t.ordered, t.means(), ownSumsUpTo, cutoff(ways, n*(n+1)/4, n*(n+1)*(2*n+1)/24, level))
	return Interval{i.Low / 2, i.High / 2}
}
