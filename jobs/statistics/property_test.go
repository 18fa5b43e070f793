package statistics

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// More confidence never narrows an interval, and the exact one covers at least
// its level whatever the true share: the definition, summed over all outcomes.
func TestIntervalsNestAndCover(t *testing.T) {
	for n := 1; n <= 25; n++ {
		for k := range n + 1 {
			for _, of := range []func(int, int, float64) Interval{Wilson, Exact} {
				narrow, wide := of(k, n, 0.8), of(k, n, 0.99)
				if wide.Low > narrow.Low || wide.High < narrow.High {
					t.Errorf("%d of %d: %v at 80 %%, %v at 99 %%", k, n, narrow, wide)
				}
			}
		}
		var exact []Interval
		for k := range n + 1 {
			exact = append(exact, Exact(k, n, 0.9))
		}
		for share := 0.02; share < 1; share += 0.07 {
			covered := 0.0
			for k, i := range exact {
				if i.Contains(share) {
					covered += binomialSum(k, k, n, share)
				}
			}
			if covered < 0.9-1e-12 {
				t.Errorf("the exact interval of %d covers %v with %v, promised 0.9", n, share, covered)
			}
		}
	}
}

// A test does not care for order, nor a rank test for the scale of the values.
func TestTestsIgnoreWhatDoesNotMatter(t *testing.T) {
	random := rand.New(rand.NewPCG(23, 29))
	for range 50 {
		a, b := draw(random, 3+random.IntN(8)), draw(random, 3+random.IntN(8))
		r := rankTest(t, a, b)
		stretch := func(xs []float64) []float64 {
			out := make([]float64, len(xs))
			for i, x := range xs {
				out[i] = math.Exp(x)
			}
			random.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
			return out
		}
		if same := rankTest(t, stretch(a), stretch(b)); same.U1 != r.U1 || same.P() != r.P() {
			t.Errorf("U %v and %v, p %v and %v", r.U1, same.U1, r.P(), same.P())
		}
		back := rankTest(t, b, a)
		if back.U1 != r.U2 || math.Abs(back.P()-r.P()) > 1e-15 || math.Abs(back.Shift()+r.Shift()) > 1e-12 {
			t.Errorf("the other way round: U %v, p %v, shift %v for %v, %v, %v", back.U1, back.P(), back.Shift(), r.U2, r.P(), r.Shift())
		}
		if r.U1+r.U2 != float64(len(a)*len(b)) {
			t.Errorf("U %v and %v of %d pairs", r.U1, r.U2, len(a)*len(b))
		}
	}
}

// A false-discovery rate is never below its p value, keeps the order of the p
// values, and equals the definition: the least over all cut-offs above.
func TestFalseDiscoveryKeepsOrder(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 37))
	for range 200 {
		ps := make([]float64, 1+random.IntN(12))
		for i := range ps {
			ps[i] = math.Round(100*random.Float64()) / 100 // with ties
		}
		qs := BenjaminiHochberg(ps)
		for i, p := range ps {
			want := 1.0
			for _, cut := range ps {
				found := 0
				for _, other := range ps {
					if other <= cut {
						found++
					}
				}
				if cut >= p {
					want = min(want, cut*float64(len(ps))/float64(found))
				}
			}
			if math.Abs(qs[i]-want) > 1e-12 || qs[i] < p {
				t.Errorf("p %v of %v: q %v, want %v", p, ps, qs[i], want)
			}
		}
	}
}

// What is given is left as it was: results are computed from stored readings.
func TestDataAreLeftAlone(t *testing.T) {
	xs := []float64{3, 1, 2, 9, 5, 4, 8}
	kept := slices.Clone(xs)
	_, _ = Median(xs)
	_, _ = RobustScores(xs)
	_, _, _ = ESD(xs, 2, 0.05)
	r := rankTest(t, xs[:3], xs[3:])
	_ = r.ShiftInterval(0.95)
	_, _ = SignedRank(xs)
	if !slices.Equal(xs, kept) {
		t.Errorf("%v became %v", kept, xs)
	}
}

// The cost of a shift over pairs of units grows with the units, not the pairs:
// ten thousand on each side are a hundred million pairs.
func BenchmarkShift(b *testing.B) {
	random := rand.New(rand.NewPCG(47, 53))
	for _, n := range []int{100, 1000, 10000} {
		xs, ys := make([]float64, n), make([]float64, n)
		for i := range xs {
			xs[i], ys[i] = random.NormFloat64(), random.NormFloat64()+0.1
		}
		b.Run(map[int]string{100: "1x", 1000: "10x", 10000: "100x"}[n], func(b *testing.B) {
			for b.Loop() {
				r, err := MannWhitney(xs, ys)
				if err != nil {
					b.Fatal(err)
				}
				_ = r.ShiftInterval(0.95)
				_ = r.Shift()
				_ = r.P()
			}
		})
	}
}
