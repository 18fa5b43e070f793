package statistics

import (
	"math"

	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
)

// Newcombe returns the difference k1/n1 - k2/n2 of two independent proportions
// and its hybrid-score interval: Wilson's intervals of both, joined (Statistics
// in Medicine 17:873, 1998, method 10). Counts that make no sense, and an n of
// zero, give NaN.
func Newcombe(k1, n1, k2, n2 int, level float64) (difference float64, interval Interval) {
	if k1 < 0 || k2 < 0 || n1 < max(k1, 1) || n2 < max(k2, 1) {
		return math.NaN(), unknown()
	}
	first, second := Wilson(k1, n1, level), Wilson(k2, n2, level)
	p1, p2 := float64(k1)/float64(n1), float64(k2)/float64(n2)
	difference = p1 - p2
	interval.Low = difference - math.Hypot(p1-first.Low, second.High-p2)
	interval.High = difference + math.Hypot(first.High-p1, p2-second.Low)
	return difference, interval
}

// FisherExact returns the two-sided p value of the table [a b; c d] with its
// sums held: the probability of all tables no more probable than the one seen.
func FisherExact(a, b, c, d int) float64 {
	if min(a, b, c, d) < 0 {
		return math.NaN()
	}
	row, column, all := a+b, a+c, a+b+c+d
	total := combin.LogGeneralizedBinomial(float64(all), float64(column))
	logOf := func(x int) float64 {
		return combin.LogGeneralizedBinomial(float64(row), float64(x)) +
			combin.LogGeneralizedBinomial(float64(all-row), float64(column-x)) - total
	}
	// Tables equally probable differ by rounding; they count as seen.
	seen := logOf(a) + 1e-7
	p := 0.0
	for x := max(0, column-(all-row)); x <= min(row, column); x++ {
		if l := logOf(x); l <= seen {
			p += math.Exp(l)
		}
	}
	return min(p, 1)
}

// McNemar returns the exact two-sided p value of b units that changed one way
// and c that changed the other, out of units seen twice: under no change a
// coin decides each. Units that did not change say nothing, and none that
// changed give 1.
func McNemar(b, c int) float64 {
	if b < 0 || c < 0 {
		return math.NaN()
	}
	if b+c == 0 {
		return 1
	}
	tail := distuv.Binomial{N: float64(b + c), P: 0.5}.CDF(float64(min(b, c)))
	return min(1, 2*tail)
}

// BenjaminiHochberg returns for each p value the least false-discovery rate at
// which it counts among the discoveries, in the order given. A value that is no
// probability gives NaN for all: nothing can be ranked then.
func BenjaminiHochberg(ps []float64) []float64 {
	q := make([]float64, len(ps))
	order := ranked(ps)
	least := 1.0
	for i := len(order) - 1; i >= 0; i-- {
		p := ps[order[i]]
		if !(p >= 0 && p <= 1) {
			least = math.NaN()
			break
		}
		least = min(least, p*(float64(len(ps))/float64(i+1))) // a ratio of at least one: q is never below p, not in the last digit
		q[order[i]] = least
	}
	if math.IsNaN(least) {
		for i := range q {
			q[i] = least
		}
	}
	return q
}
