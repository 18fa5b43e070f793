package statistics

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"testing"
)

func parse(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func ends(low, high float64) Limits { return Limits{&low, &high} }

func TestCapability(t *testing.T) {
	c, err := CapabilityOf(16, 2, ends(8, 20)) // NIST e-Handbook 6.1.6
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		what      string
		got, want float64
	}{{"Cp", c.Cp, 1}, {"Cpk", c.Cpk, 2.0 / 3}, {"Cpu", c.Upper, 2.0 / 3}, {"Cpl", c.Lower, 4.0 / 3}, {"k", c.K, 1.0 / 3}, {"Cp(1-k)", c.Cp * (1 - c.K), c.Cpk}} {
		checkNear(t, row.what, row.got, row.want, 1e-12)
	}
	for _, row := range []struct {
		cpk       float64
		n         int
		low, high float64 // metrology sheet 3.3, which rounds 1.692471 up
	}{{2.0 / 3, 50, 0.50555, 0.82778}, {1.33, 30, 0.96753, 1.69247}, {1.33, 100, 1.13356, 1.52644}} {
		checkInterval(t, "interval of Cpk", CpkInterval(row.cpk, row.n, 0.95), row.low, row.high, 5.1e-6)
	}
	for _, row := range []struct{ mean, cpk, out float64 }{{10, 0.833333, 0.0124193}, {10.5, 0.416667, 0.105738}} { // sheet 3.3; 0.01242 and 0.10574 published
		c, err := CapabilityOf(row.mean, 0.4, ends(9, 11))
		if err != nil {
			t.Fatal(err)
		}
		checkNear(t, "Cpk", c.Cpk, row.cpk, 5.1e-7)
		checkNear(t, "outside", Outside(row.mean, 0.4, ends(9, 11)), row.out, 5.1e-7)
	}
	for cpk, ppm := range map[float64]float64{0.33: 161087, 0.67: 22215.6, 1.00: 1349.90, 1.33: 33.0366, 1.67: 0.27215, 2.00: 0.00098659} {
		checkNear(t, "parts per million, metrology sheet 3.3", 1e6*Outside(3*cpk, 1, Limits{Lower: new(0.0)})/ppm, 1, 1e-5)
	}
}

func TestCapabilityWithOneLimitOrNone(t *testing.T) {
	limits := ends(8, 20)
	upper, err := CapabilityOf(16, 2, Limits{Upper: limits.Upper})
	if err != nil || upper.Cpk != upper.Upper || !math.IsNaN(upper.Cp) || !math.IsNaN(upper.Lower) || !math.IsNaN(upper.K) {
		t.Errorf("upper limit only: %+v, %v", upper, err)
	}
	lower, err := CapabilityOf(16, 2, Limits{Lower: limits.Lower})
	if err != nil || lower.Cpk != 4.0/3 || !math.IsNaN(lower.Upper) {
		t.Errorf("lower limit only: %+v, %v", lower, err)
	}
	for i, bad := range []struct {
		sd     float64
		limits Limits
	}{{2, Limits{}}, {0, limits}, {2, ends(20, 8)}, {math.NaN(), limits}} {
		if _, err := CapabilityOf(16, bad.sd, bad.limits); err == nil {
			t.Errorf("capability %d accepted", i)
		}
	}
}

func TestMeasureCapabilityRefusesWhatCannotCarryIt(t *testing.T) {
	steady := make([]float64, 30)
	for i := range steady {
		steady[i] = 10 + float64(i%3-1)
	}
	c, err := MeasureCapability(steady, ends(0, 20))
	if err != nil {
		t.Fatal(err)
	}
	// Moving ranges 1, 1, 2 and so on: 19 times 1 and ten times... of 29, mean 38/29.
	checkNear(t, "short-term sigma", c.SD, 38.0/29/1.128, 1e-12)
	if _, err := MeasureCapability(steady[:19], ends(0, 20)); !errors.Is(err, ErrTooFew) {
		t.Errorf("19 values: %v", err)
	}
	steady[20] = 25
	if _, err := MeasureCapability(steady, ends(0, 20)); !errors.Is(err, ErrUnstable) {
		t.Errorf("an unstable process: %v", err)
	}
	if _, err := MeasureCapability(make([]float64, 25), ends(0, 20)); !errors.Is(err, ErrNoSpread) {
		t.Errorf("no spread: %v", err)
	}
}

func TestIndividualsAgainstTheHandbook(t *testing.T) {
	values, ranges, err := Individuals([]float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}) // NIST e-Handbook 6.3.2.2
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		what                 string
		got, want, tolerance float64
	}{
		{"mean", values.Centre, 50.81, 1e-12}, {"upper", values.Upper, 55.8041, 5e-5}, {"lower", values.Lower, 45.8159, 5e-5},
		{"upper to six digits", values.Upper, 55.804090, 5.1e-7}, {"lower to six digits", values.Lower, 45.815910, 5.1e-7},
		{"mean range", ranges.Centre, 1.8778, 5e-5}, {"range upper", ranges.Upper, 6.1347, 5e-5}, {"range lower", ranges.Lower, 0, 0},
		// The closed forms, metrology sheet 3.4: the printed constants are these to their digits.
		{"d2", d2, 2 / math.Sqrt(math.Pi), 5e-4}, {"D4", d4, 3.2665319, 5e-4},
	} {
		checkNear(t, row.what, row.got, row.want, row.tolerance)
	}
}

// The unit vectors of metrology sheet 3.4, points counted from 1 there.
func TestZoneRules(t *testing.T) {
	unit := Chart{Sigma: 1, Upper: 3, Lower: -3}
	for _, row := range []struct {
		z    []float64
		want []Signal
	}{
		{[]float64{0, 3.1}, []Signal{{1, 1}}},
		{[]float64{2.1, 0.3, 2.2}, []Signal{{2, 2}}},
		{[]float64{2.1, 0.3, -2.2}, nil},
		{[]float64{1.1, 1.2, 0.2, 1.3, 1.4}, []Signal{{4, 3}}},
		{slices.Repeat([]float64{0.1}, 8), []Signal{{7, 4}}},
		{slices.Repeat([]float64{0.1}, 7), nil},
		{[]float64{3.0}, nil}, {[]float64{-3.0}, nil}, {[]float64{-3.1}, []Signal{{0, 1}}},
		{append(slices.Repeat([]float64{0.1}, 7), 0), nil},
	} {
		if got := unit.Zones(row.z); !reflect.DeepEqual(got, row.want) {
			t.Errorf("%v: %v, want %v", row.z, got, row.want)
		}
	}
	if got := (Chart{}).Zones([]float64{1, 2}); got != nil {
		t.Errorf("a chart without spread signals %v", got)
	}
}

// How long a steady process runs before a false signal: 1/(2Φ(-3)) = 370.40 for
// rule 1, and 91.75 for all four (Champ and Woodall 1987, in metrology sheet
// 3.4). Four standard errors of the mean of as many runs are allowed.
func TestZoneRulesRunAsLongAsPublished(t *testing.T) {
	checkNear(t, "rule 1 alone", 1/(2*normalTail(3)), 370.40, 5e-3)
	const runs = 20000
	random := rand.New(rand.NewPCG(1987, 4))
	total := 0
	for range runs {
		var z []float64
		for signal := false; !signal; total++ {
			z = append(z, random.NormFloat64())
			for _, rule := range zoneRules {
				signal = signal || rule.completedBy(z)
			}
		}
	}
	checkNear(t, "all four rules", float64(total)/runs, 91.75, 4*91.75/math.Sqrt(runs))
}
