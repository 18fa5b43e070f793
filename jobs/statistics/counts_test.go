package statistics

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// near tells whether got is want to the tolerance; NaN is near nothing.
func near(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

func checkNear(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !near(got, want, tolerance) {
		t.Errorf("%s: %.12g, want %.12g within %g", what, got, want, tolerance)
	}
}

func checkInterval(t *testing.T, what string, got Interval, low, high, tolerance float64) {
	t.Helper()
	if !near(got.Low, low, tolerance) || !near(got.High, high, tolerance) {
		t.Errorf("%s: %.9g to %.9g, want %v to %v within %g", what, got.Low, got.High, low, high, tolerance)
	}
}

// The tolerances are half a unit in the last digit that each source prints.
func TestProportionIntervals(t *testing.T) {
	for _, row := range []struct {
		k, n                int
		level               float64
		wilsonLow, wilsonUp float64 // metrology sheet 3.2, computed there in 15 to 30 digits
		exactLow, exactUp   float64 // the same; 57/60 also 0.861 to 0.990 and 4/20 also 0.071354 to 0.401029 (NIST e-Handbook 7.2.4.2)
	}{
		{81, 263, 0.95, 0.2552885, 0.3662096, 0.2527367, 0.3676219},
		{15, 148, 0.95, 0.0623864, 0.1604872, 0.0578440, 0.1616505},
		{0, 20, 0.95, 0, 0.1611252, 0, 0.1684335},
		{1, 29, 0.95, 0.0061132, 0.1717552, 0.0008726, 0.1776443},
		{20, 20, 0.95, 0.8388748, 1, 0.8315665, 1},
		{57, 60, 0.95, 0.8629948, 0.9828505, 0.8607568, 0.9895677},
		{95, 100, 0.95, 0.8882495, 0.9784563, 0.8871651, 0.9835681},
		{998, 1000, 0.95, 0.9927372, 0.9994514, 0.9927942, 0.9997577},
		{4, 20, 0.90, 0.0931180, 0.3783767, 0.0713539, 0.4010281},
	} {
		checkInterval(t, "Wilson", Wilson(row.k, row.n, row.level), row.wilsonLow, row.wilsonUp, 5.1e-8)
		checkInterval(t, "exact", Exact(row.k, row.n, row.level), row.exactLow, row.exactUp, 5.1e-8)
	}
	for _, row := range []struct {
		k, n      int
		low, high float64
		source    string
		tolerance float64
	}{
		{81, 263, 0.2553, 0.3662, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{15, 148, 0.0624, 0.1605, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{0, 20, 0, 0.1611, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{1, 29, 0.0061, 0.1718, "Statistics in Medicine 17:857 (1998) Table I method 3", 5e-5},
		{57, 60, 0.863, 0.983, "metrology sheet 3.2, published column", 5e-4},
	} {
		checkInterval(t, row.source, Wilson(row.k, row.n, 0.95), row.low, row.high, row.tolerance)
	}
	checkInterval(t, "57 of 60, exact, published (metrology sheet 3.2)", Exact(57, 60, 0.95), 0.861, 0.990, 5e-4)
	checkInterval(t, "NIST e-Handbook 7.2.4.2", Exact(4, 20, 0.90), 0.071354, 0.401029, 1.1e-6)
}

// Clopper and Pearson define their ends by binomial tails (NIST e-Handbook
// 7.2.4.2): summed term by term, each holds half of what the level leaves.
func TestExactIntervalLeavesItsTails(t *testing.T) {
	for n := 1; n <= 40; n += 3 {
		for k := 0; k <= n; k++ {
			i := Exact(k, n, 0.95)
			if k < n {
				checkNear(t, "lower tail at the upper end", binomialSum(0, k, n, i.High), 0.025, 1e-12)
			}
			if k > 0 {
				checkNear(t, "upper tail at the lower end", binomialSum(k, n, n, i.Low), 0.025, 1e-12)
			}
			if w := Wilson(k, n, 0.95); !w.Contains(float64(k)/float64(n)) || w.Low < 0 || w.High > 1 {
				t.Errorf("Wilson of %d in %d is %v", k, n, w)
			}
		}
	}
}

func binomialSum(from, to, n int, p float64) float64 {
	sum := 0.0
	for k := from; k <= to; k++ {
		sum += distuv.Binomial{N: float64(n), P: p}.Prob(float64(k))
	}
	return sum
}

func TestSenselessCountsAreUnknown(t *testing.T) {
	for _, of := range []func(int, int, float64) Interval{Wilson, Exact} {
		checkInterval(t, "nothing is known of 0 in 0", of(0, 0, 0.95), 0, 1, 0)
		for _, bad := range []struct {
			k, n  int
			level float64
		}{{-1, 5, 0.95}, {6, 5, 0.95}, {1, 5, 0}, {1, 5, 1}, {1, 5, math.NaN()}} {
			if i := of(bad.k, bad.n, bad.level); !math.IsNaN(i.Low) || !math.IsNaN(i.High) {
				t.Errorf("%+v: %v, want NaN", bad, i)
			}
		}
	}
	for i, v := range []float64{NoneInN(-1, 0.95), NoneInN(5, 1), FisherExact(-1, 0, 0, 0), McNemar(-1, 3), sampleToTell(0, 0.5, 0.05, 0.8)} {
		if !math.IsNaN(v) {
			t.Errorf("senseless figure %d is %v, want NaN", i, v)
		}
	}
	if d, i := Newcombe(0, 0, 1, 2, 0.95); !math.IsNaN(d) || !math.IsNaN(i.Low) {
		t.Errorf("a difference to nothing is %v %v", d, i)
	}
	if ZeroFailureSample(1, 0.95) != 0 || SampleToTell(0.9, 0.9, 0.05, 0.8) != 0 {
		t.Error("a sample size for what no sample shows")
	}
}

// Metrology sheet 3.1, all computed there.
func TestYieldArithmetic(t *testing.T) {
	for n, want := range map[int]float64{20: 0.13911, 59: 0.049508, 100: 0.029513, 299: 0.0099691, 300: 0.0099361} {
		checkNear(t, "no failure in n", NoneInN(n, 0.95), want, 5e-6)
	}
	for _, row := range []struct {
		yield, exact float64
		units        int
	}{{0.95, 58.404, 59}, {0.90, 28.433, 29}, {0.99, 298.073, 299}} {
		checkNear(t, "zero failures", zeroFailures(row.yield, 0.95), row.exact, 5e-4)
		if n := ZeroFailureSample(row.yield, 0.95); n != row.units {
			t.Errorf("zero-failure sample for %v: %d, want %d", row.yield, n, row.units)
		}
	}
	// Sheet 3.7: from 98 % to 95 % at 5 % significance and a power of 0.8.
	checkNear(t, "sample to tell", sampleToTell(0.98, 0.95, 0.05, 0.8), 585.18, 5e-3)
	if n := SampleToTell(0.98, 0.95, 0.05, 0.8); n != 586 {
		t.Errorf("sample to tell %d, want 586", n)
	}
}

// Metrology sheet 3.7: published to four digits (Statistics in Medicine 17:873,
// 1998, Table II), computed to seven; the sheet rounds -0.038137148 up.
func TestTwoProportions(t *testing.T) {
	for _, row := range []struct {
		k1, n1, k2, n2 int
		low, high      float64
		tolerance      float64
	}{
		{56, 70, 48, 80, 0.0524315, 0.3338727, 5.1e-8}, {56, 70, 48, 80, 0.0524, 0.3339, 5.1e-5},
		{9, 10, 3, 10, 0.1705227, 0.8090180, 5.1e-8}, {9, 10, 3, 10, 0.1705, 0.8090, 5.1e-5},
		{5, 56, 0, 29, -0.03813715, 0.1925600, 5.1e-8}, {5, 56, 0, 29, -0.0381, 0.1926, 5.1e-5},
		{0, 10, 0, 20, -0.1611252, 0.2775328, 5.1e-8}, {0, 10, 0, 20, -0.1611, 0.2775, 5.1e-5},
		{190, 200, 175, 200, 0.0195193, 0.1326373, 5.1e-8},
	} {
		_, i := Newcombe(row.k1, row.n1, row.k2, row.n2, 0.95)
		checkInterval(t, "Newcombe", i, row.low, row.high, row.tolerance)
		_, back := Newcombe(row.k2, row.n2, row.k1, row.n1, 0.95)
		checkInterval(t, "Newcombe the other way", back, -i.High, -i.Low, 1e-15)
	}
	for _, row := range []struct {
		k1, n1, k2, n2 int
		fisher         float64
	}{{56, 70, 48, 80, 0.0125211}, {190, 200, 175, 200, 0.0122809}} {
		checkNear(t, "Fisher", FisherExact(row.k1, row.n1-row.k1, row.k2, row.n2-row.k2), row.fisher, 5.1e-8)
	}
	checkNear(t, "Fisher [3 1; 1 3], 34/70", FisherExact(3, 1, 1, 3), 0.4857143, 5.1e-8)
	checkNear(t, "Fisher [1 9; 11 3]", FisherExact(1, 9, 11, 3), 0.002759456, 5.1e-10)
	checkNear(t, "Fisher of nothing", FisherExact(0, 0, 0, 0), 1, 1e-12)
}

func TestMcNemar(t *testing.T) {
	for _, row := range []struct {
		b, c int
		p    float64 // metrology sheet 3.7 and its appendix; 2·sum C(n,i)/2^n
	}{{1, 9, 0.021484375}, {8, 2, 0.109375}, {10, 0, 0.001953125}, {2, 9, 0.0654296875}, {0, 0, 1}, {4, 4, 1}} {
		checkNear(t, "McNemar", McNemar(row.b, row.c), row.p, 1e-12)
	}
}

func TestBenjaminiHochberg(t *testing.T) {
	// Metrology sheet 3.7.
	for i, want := range []float64{0.02, 0.04, 0.04, 0.02} {
		checkNear(t, "q", BenjaminiHochberg([]float64{0.01, 0.04, 0.03, 0.005})[i], want, 1e-15)
	}
	for _, q := range BenjaminiHochberg([]float64{0.1, math.NaN(), 0.2}) {
		if !math.IsNaN(q) {
			t.Errorf("q %v beside no probability, want NaN", q)
		}
	}
	if q := BenjaminiHochberg(nil); len(q) != 0 {
		t.Errorf("q of nothing: %v", q)
	}
}
