package statistics

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// handbook is the data of NIST e-Handbook 7.3.5 (metrology sheet 3.7).
func handbook() (a, b []float64) {
	return []float64{.55, .67, .43, .51, .48, .60, .71, .53, .44, .65, .75}, []float64{.49, .68, .59, .72, .67, .75, .65, .77, .62, .48, .59}
}

// ranksum is the tied set of the NIST archive, RANKSUM (metrology sheet 3.7).
func ranksum() (a, b []float64) {
	return []float64{14.8, 7.3, 5.6, 6.3, 9.0, 4.2, 10.6, 12.5, 12.9, 16.1, 11.4, 2.7},
		[]float64{12.7, 14.2, 12.6, 2.1, 17.7, 11.8, 16.9, 7.9, 16.0, 10.6, 5.6, 5.6, 7.6, 11.3, 8.3, 6.7, 3.6, 1.0, 2.4, 6.4,
			9.1, 6.7, 18.6, 3.2, 6.2, 6.1, 15.3, 10.6, 1.8, 5.9, 9.9, 10.6, 14.8, 5.0, 2.6, 4.0}
}

func rankTest(t *testing.T, a, b []float64) RankTest {
	t.Helper()
	r, err := MannWhitney(a, b)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestMannWhitneyAgainstTheHandbook(t *testing.T) {
	a, b := handbook()
	ranks, _ := midranks(slices.Concat(a, b))
	want := []float64{8, 15.5, 1, 6, 3.5, 11, 18, 7, 2, 13.5, 20.5, 5, 17, 9.5, 19, 15.5, 20.5, 13.5, 22, 12, 3.5, 9.5}
	if !slices.Equal(ranks, want) {
		t.Errorf("ranks %v, want %v", ranks, want)
	}
	r := rankTest(t, a, b)
	if r.RankSum1 != 106 || r.RankSum2 != 147 || r.U1 != 40 || r.U2 != 81 {
		t.Errorf("rank sums %v and %v, U %v and %v; want 106, 147, 40, 81", r.RankSum1, r.RankSum2, r.U1, r.U2)
	}
	checkNear(t, "handbook z 1.346", -r.Z(false, false), 1.346, 5e-4)
	checkNear(t, "z", r.Z(false, false), -1.3461327, 5.1e-8)
	checkNear(t, "z, ties", r.Z(true, false), -1.3480370, 5.1e-8)
	checkNear(t, "z, ties and continuity", r.Z(true, true), -1.315158, 5.1e-7)
	checkNear(t, "p", bothTails(r.Z(false, false)), 0.178260, 5.1e-7)
	checkNear(t, "p, ties", bothTails(r.Z(true, false)), 0.177646, 5.1e-7)
	checkNear(t, "p, ties and continuity", bothTails(r.Z(true, true)), 0.188457, 5.1e-7)
	checkNear(t, "exact", r.P(), 131628.0/705432, 1e-15)
	checkNear(t, "shift", r.Shift(), -0.06, 1e-12)
}

func TestMannWhitneyAgainstOtherSets(t *testing.T) {
	r := rankTest(t, []float64{19, 22, 16, 29, 24}, []float64{20, 11, 17, 12}) // sheet 3.7: the set without ties
	if r.U1 != 17 || r.U2 != 3 {
		t.Errorf("U %v and %v, want 17 and 3", r.U1, r.U2)
	}
	checkNear(t, "exact", r.P(), 14.0/126, 1e-15)
	checkNear(t, "asymptotic with continuity", bothTails(r.Z(true, true)), 0.111347, 5.1e-7)

	r = rankTest(t, first(ranksum()), second(ranksum()))
	if r.RankSum1 != 321 || r.RankSum2 != 855 || r.U1 != 243 || r.U2 != 189 {
		t.Errorf("rank sums %v and %v, U %v and %v; want 321, 855, 243, 189", r.RankSum1, r.RankSum2, r.U1, r.U2)
	}
	for _, row := range []struct {
		ties, continuity bool
		z, p             float64
	}{{false, false, 0.642857, 0.520317}, {true, false, 0.643136, 0.520136}, {true, true, 0.631227, 0.527892}} {
		checkNear(t, "z", r.Z(row.ties, row.continuity), row.z, 5.1e-7)
		checkNear(t, "p", bothTails(r.Z(row.ties, row.continuity)), row.p, 5.1e-7)
	}
	checkNear(t, "exact", r.P(), 0.528963, 5.1e-7)
}

func first(a, _ []float64) []float64  { return a }
func second(_, b []float64) []float64 { return b }

func TestMannWhitneyAtItsEnds(t *testing.T) {
	same := rankTest(t, []float64{3, 3, 3}, []float64{3, 3})
	if same.Z(true, true) != 0 || same.P() != 1 || same.Shift() != 0 {
		t.Errorf("equal values: z %v, p %v, shift %v", same.Z(true, true), same.P(), same.Shift())
	}
	if _, err := MannWhitney(nil, []float64{1}); !errors.Is(err, ErrTooFew) {
		t.Errorf("no values: %v", err)
	}
	if _, err := MannWhitney([]float64{1}, []float64{math.Inf(1)}); !errors.Is(err, ErrFinite) {
		t.Errorf("an infinite value: %v", err)
	}
	big := make([]float64, 80)
	for i := range big {
		big[i] = float64(i)
	}
	r := rankTest(t, big, big)
	if _, err := r.Exact(); err == nil || r.P() != 1 {
		t.Errorf("160 values: %v, p %v", err, r.P())
	}
}

// The estimates of Hodges and Lehmann are medians of all pairs; here against
// all pairs written out.
func TestShiftsAgainstAllPairs(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	for round := range 60 {
		a, b := draw(random, 1+round%9), draw(random, 1+round%7)
		var across, own []float64
		for i, x := range a {
			for _, y := range b {
				across = append(across, x-y)
			}
			for _, y := range a[i:] {
				own = append(own, (x+y)/2)
			}
		}
		want, _ := Median(across)
		checkNear(t, "unpaired", rankTest(t, a, b).Shift(), want, 1e-12)
		p, err := SignedRank(a)
		if err != nil {
			t.Fatal(err)
		}
		want, _ = Median(own)
		checkNear(t, "paired", p.Shift(), want, 1e-12)
	}
}

// draw makes values with ties among them.
func draw(random *rand.Rand, n int) []float64 {
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = float64(random.IntN(21)-10) / 4
	}
	return xs
}

// signed goes through all signs of the ranks: the definition of the exact test.
func TestSignedRankAgainstAllSigns(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 5))
	for round := range 40 {
		xs := draw(random, 1+round%11)
		p, err := SignedRank(xs)
		if err != nil {
			t.Fatal(err)
		}
		least, beyond := min(p.Plus, p.Minus), 0
		for signs := range 1 << p.Moved {
			sum := 0.0
			for i, r := range p.ranks {
				if signs>>i&1 == 1 {
					sum += r
				}
			}
			if sum <= least {
				beyond++
			}
		}
		checkNear(t, "p", p.P(), min(1, 2*float64(beyond)/float64(int(1)<<p.Moved)), 1e-12)
	}
}

// Closed forms: n differences of one sign have probability 2/2^n, and the
// interval from the least to the greatest of n differences covers 1-2/2^n, so
// six is the first n with an interval at 95 %.
func TestSignedRankClosedForms(t *testing.T) {
	for n := 1; n <= 12; n++ {
		xs := make([]float64, n)
		for i := range xs {
			xs[i] = float64(i + 1)
		}
		p, _ := SignedRank(xs)
		checkNear(t, "all of one sign", p.P(), math.Pow(2, 1-float64(n)), 1e-15)
		i := p.ShiftInterval(0.95)
		switch {
		case n < 6 && !(math.IsInf(i.Low, -1) && math.IsInf(i.High, 1)):
			t.Errorf("%d pairs: interval %v, want the whole line", n, i)
		case n == 6 && (i.Low != 1 || i.High != 6):
			t.Errorf("6 pairs: interval %v, want 1 to 6", i)
		}
	}
	// 1-tail 2.5 % points of the signed-rank sum, standard tables: n=10 gives 8, n=20 gives 52.
	for n, critical := range map[int]int{10: 8, 20: 52} {
		ranks := make([]int, n)
		for i := range ranks {
			ranks[i] = i + 1
		}
		if k := cutoff(signSums(ranks), 0, 0, 0.95); k != critical+1 {
			t.Errorf("cutoff for %d pairs is %d, want %d", n, k, critical+1)
		}
	}
	none, _ := SignedRank([]float64{0, 0})
	if none.P() != 1 || none.Moved != 0 || none.N != 2 || none.Shift() != 0 {
		t.Errorf("nothing moved: %+v", none)
	}
}

// An interval says what its test says: shifts inside are not refused, shifts
// beyond its ends are. Large sets take the normal way.
func TestIntervalsInvertTheirTests(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 13))
	for _, n := range []int{8, 30, 90} {
		a, b := make([]float64, n), make([]float64, n+3)
		for i := range a {
			a[i] = random.NormFloat64() + 0.4
		}
		for i := range b {
			b[i] = random.NormFloat64()
		}
		i := rankTest(t, a, b).ShiftInterval(0.95)
		for _, at := range []struct {
			shift  float64
			inside bool
		}{{i.Low + 1e-9, true}, {i.High - 1e-9, true}, {i.Low - 1e-9, false}, {i.High + 1e-9, false}} {
			r := rankTest(t, offsets(a, at.shift), b)
			if inside := r.P() > 0.05; inside != at.inside {
				t.Errorf("n=%d, interval %v: shift %v has p %v", n, i, at.shift, r.P())
			}
		}
		p, _ := SignedRank(a)
		i = p.ShiftInterval(0.95)
		below, _ := SignedRank(offsets(a, i.Low-1e-9))
		within, _ := SignedRank(offsets(a, i.Low+1e-9))
		if below.P() > 0.05 || within.P() <= 0.05 {
			t.Errorf("n=%d, interval %v: p %v below and %v within", n, i, below.P(), within.P())
		}
	}
}

// Above the exact size the approximation takes over: against the exact answer,
// which costs more but is there. Without the correction for continuity it would
// be off by 2e-4 here, without that for ties by 3e-3.
func TestApproximationJoinsTheExactTest(t *testing.T) {
	random := rand.New(rand.NewPCG(17, 19))
	plain, tied := make([]float64, mostPairs+20), make([]float64, mostPairs+20)
	for i := range plain {
		plain[i] = random.NormFloat64() + 0.02
		tied[i] = float64(1 + random.IntN(3))
		if random.Float64() < 0.42 {
			tied[i] = -tied[i]
		}
	}
	for name, row := range map[string]struct {
		xs        []float64
		tolerance float64
	}{"plain": {plain, 1e-4}, "tied": {tied, 1e-3}} {
		p, err := SignedRank(row.xs)
		if err != nil {
			t.Fatal(err)
		}
		least, below := int(math.Round(2*min(p.Plus, p.Minus))), 0.0
		for s, share := range signSums(doubled(p.ranks)) {
			if s <= least {
				below += share
			}
		}
		if exact := 2 * below; !(exact > 0.02 && exact < 0.9) {
			t.Fatalf("%s: p is %v, too far out to compare", name, exact)
		}
		checkNear(t, name, p.P(), 2*below, row.tolerance)
	}
}
