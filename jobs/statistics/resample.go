package statistics

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/combin"
)

// Replicates is what a statistic came to over resamples of the data.
type Replicates struct {
	Values     []float64 // ascending
	Exhaustive bool      // every resample there is, so that chance had no part
	Seed       uint64    // that drew them; store it beside the figures
}

// Bootstrap computes a statistic over resamples of xs with replacement. Where
// there are no more than rounds of them, it goes through all; else it draws
// rounds from the seed. The statistic must not keep or change what it is given.
func Bootstrap(xs []float64, statistic func([]float64) float64, rounds int, seed uint64) (Replicates, error) {
	if err := usable("a bootstrap", xs, 1); err != nil {
		return Replicates{}, err
	}
	if rounds < 1 {
		return Replicates{}, errors.New("statistics: a bootstrap needs at least one round")
	}
	n := len(xs)
	r := Replicates{Seed: seed}
	sample, digits := make([]float64, n), make([]int, n)
	if all := math.Pow(float64(n), float64(n)); all <= float64(rounds) {
		r.Exhaustive, rounds = true, int(all)
	}
	random := rand.New(rand.NewPCG(seed, uint64(n)))
	for range rounds {
		for i := range sample {
			if !r.Exhaustive {
				digits[i] = random.IntN(n)
			}
			sample[i] = xs[digits[i]]
		}
		r.Values = append(r.Values, statistic(sample))
		if r.Exhaustive {
			count(digits, n)
		}
	}
	slices.Sort(r.Values)
	return r, nil
}

// count adds one to a number whose digits run from 0 to n-1.
func count(digits []int, n int) {
	for i := range digits {
		if digits[i]++; digits[i] < n {
			return
		}
		digits[i] = 0
	}
}

// StandardError is the deviation of the replicates about their mean, which they
// are the whole population of.
func (r Replicates) StandardError() float64 {
	s, err := Summarize(r.Values)
	if err != nil {
		return math.NaN()
	}
	if s.N == 1 {
		return 0
	}
	return s.SD * math.Sqrt(float64(s.N-1)/float64(s.N))
}

// Interval leaves equal shares of the replicates off both ends, by the linear
// definition of percentiles.
func (r Replicates) Interval(level float64) Interval {
	if !proper(level) {
		return unknown()
	}
	low, err := Percentile(r.Values, (1-level)/2, Linear)
	if err != nil {
		return unknown()
	}
	high, err := Percentile(r.Values, (1+level)/2, Linear)
	if err != nil {
		return unknown()
	}
	return Interval{low, high}
}

// Permutation is a test of two sets by sharing their values out anew.
type Permutation struct {
	Difference float64 // mean of the first set less that of the second
	P          float64 // two-sided
	Exhaustive bool
	Seed       uint64
}

// Permute tests the difference of two means over all ways to share the values
// out, where there are no more than rounds; else over rounds drawn from the
// seed, the data themselves counting as one.
func Permute(first, second []float64, rounds int, seed uint64) (Permutation, error) {
	all := slices.Concat(first, second)
	if err := usable("a permutation test", all, 2); err != nil {
		return Permutation{}, err
	}
	if len(first) == 0 || len(second) == 0 || rounds < 1 {
		return Permutation{}, errors.New("statistics: a permutation test needs values in both sets and at least one round")
	}
	n, k := len(all), len(first)
	p := Permutation{Seed: seed}
	about := offsets(all, all[0])
	total := sumOf(about)
	difference := func(sum float64) float64 { return sum/float64(k) - (total-sum)/float64(n-k) }
	p.Difference = difference(sumOf(about[:k]))
	// The same values summed in another order differ in their last digits.
	far := math.Abs(p.Difference) - 1e-12*slices.Max(sizes(about))
	beyond, tried := 0, 0
	try := func(sum float64) {
		tried++
		if math.Abs(difference(sum)) >= far {
			beyond++
		}
	}
	if combin.LogGeneralizedBinomial(float64(n), float64(k)) <= math.Log(float64(rounds))+1e-9 {
		p.Exhaustive = true
		choices := combin.NewCombinationGenerator(n, k)
		for chosen := make([]int, k); choices.Next(); {
			sum := 0.0
			for _, i := range choices.Combination(chosen) {
				sum += about[i]
			}
			try(sum)
		}
	} else {
		random := rand.New(rand.NewPCG(seed, uint64(n)))
		try(sumOf(about[:k]))
		for range rounds {
			random.Shuffle(n, func(i, j int) { about[i], about[j] = about[j], about[i] })
			try(sumOf(about[:k]))
		}
	}
	p.P = float64(beyond) / float64(tried)
	return p, nil
}

func sizes(xs []float64) []float64 {
	s := make([]float64, len(xs))
	for i, x := range xs {
		s[i] = math.Abs(x)
	}
	return s
}

func sumOf(xs []float64) float64 {
	sum := 0.0
	for _, x := range xs {
		sum += x
	}
	return sum
}
