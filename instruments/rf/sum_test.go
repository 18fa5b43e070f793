package rf

import (
	"math"
	"testing"
	"testing/quick"
)

// Sums of powers known in closed form; 0, 3 and 6 dBm have a mean power of
// 3.66506 dBm, not 3 (facts/metrology.md 2.4).
func TestSum(t *testing.T) {
	for _, row := range []struct {
		levels []DBm
		want   float64
	}{
		{[]DBm{30}, 30}, {[]DBm{10, 10}, 10 + 10*math.Log10(2)}, {[]DBm{20, 10, 0}, 10 * math.Log10(111)},
		{[]DBm{0, 3, 6}, 3.66506 + 10*math.Log10(3)}, {[]DBm{-150, 40}, 40},
	} {
		if got := float64(Sum(row.levels...)); math.Abs(got-row.want) > 5e-6 {
			t.Errorf("sum of %v is %.7f dBm, want %.7f", row.levels, got, row.want)
		}
	}
	if !math.IsInf(float64(Sum()), -1) {
		t.Error("the sum of nothing is a level")
	}
}

// A path of coupler 30.12 dB, cable 1.84 dB and pad 20.03 dB: what reads
// -5.02 dBm behind it is 46.97 dBm, 49.774 W (facts/metrology.md 2.6).
func TestPathOfThreeParts(t *testing.T) {
	loss := DB(30.12) + 1.84 + 20.03
	port := DBm(-5.02).Add(loss)
	if math.Abs(float64(loss)-51.99) > 1e-9 || math.Abs(float64(port)-46.97) > 1e-9 || math.Abs(port.Milliwatts()/1000-49.774) > 5e-4 {
		t.Errorf("loss %s, level %s, %g W", loss, port, port.Milliwatts()/1000)
	}
}

// The order in which levels are added does not matter within 1e-12 dB.
func TestSumIsAssociative(t *testing.T) {
	property := func(x, y, z float64) bool {
		a, b, c := DBm(math.Remainder(x, 100)), DBm(math.Remainder(y, 100)), DBm(math.Remainder(z, 100))
		all := []DBm{Sum(Sum(a, b), c), Sum(a, Sum(b, c)), Sum(a, b, c), Sum(c, b, a)}
		for _, s := range all {
			if math.Abs(float64(s-all[0])) > 1e-12 {
				return false
			}
		}
		return true
	}
	if err := quick.Check(property, &quick.Config{MaxCount: 20000}); err != nil {
		t.Error(err)
	}
}
