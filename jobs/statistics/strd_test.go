package statistics

import (
	"math"
	"testing"
)

// strd is the tolerance of every figure certified by NIST StRD, relative: 13
// digits, less what a float64 no longer holds of data whose leading digits stay
// the same. That is half a unit in the last place of the largest value,
// against the deviation that is to be seen; a figure of second order feels it
// a few times.
func strd(largest, sd float64) float64 {
	return 1e-13 + 4*(math.Nextafter(largest, math.Inf(1))-largest)/sd
}

func checkCertified(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
		t.Errorf("%s: %.15g, certified %.15g, relative difference %.2g above %.2g", what, got, want, math.Abs(got/want-1), tolerance)
	}
}

// alternating is how NumAcc2 to 4 and SmLs are made: a middle value, then pairs
// of a tenth below and above.
func alternating(middle, below, above string, n int, t *testing.T) []float64 {
	t.Helper()
	xs := []float64{parse(t, middle)}
	for len(xs) < n {
		xs = append(xs, parse(t, below), parse(t, above))
	}
	return xs
}

// mavro is NIST StRD Mavro, the filter transmittance set of 50 readings.
func mavro() []float64 {
	var xs []float64
	for _, last := range []int{180, 170, 180, 190, 180, 170, 150, 140, 150, 150, 170, 180, 180, 190, 190, 210, 200, 160, 140, 130, 130, 150, 150, 160, 150,
		140, 130, 140, 150, 140, 150, 160, 150, 160, 190, 200, 200, 210, 220, 230, 240, 250, 270, 260, 260, 260, 270, 260, 250, 240} {
		xs = append(xs, 2+float64(last)/1e5)
	}
	return xs
}

// michelso is NIST StRD Michelso: a hundred measurements of the speed of light
// in air, 1879, in 1000 km/s.
func michelso() []float64 {
	var xs []float64
	for _, over := range []int{850, 740, 900, 1070, 930, 850, 950, 980, 980, 880, 1000, 980, 930, 650, 760, 810, 1000, 1000, 960, 960,
		960, 940, 960, 940, 880, 800, 850, 880, 900, 840, 830, 790, 810, 880, 880, 830, 800, 790, 760, 800,
		880, 880, 880, 860, 720, 720, 620, 860, 970, 950, 880, 910, 850, 870, 840, 840, 850, 840, 840, 840,
		890, 810, 810, 820, 800, 770, 760, 740, 750, 760, 910, 920, 890, 860, 880, 720, 840, 850, 850, 780,
		890, 840, 780, 810, 760, 810, 790, 810, 820, 850, 870, 870, 810, 740, 810, 940, 950, 800, 810, 870} {
		xs = append(xs, (299000+float64(over))/1000)
	}
	return xs
}

func TestSummarizeAgainstStRD(t *testing.T) {
	for _, set := range []struct {
		name           string
		xs             []float64
		mean, sd, lag1 float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5},
		{"NumAcc3", alternating("1000000.2", "1000000.1", "1000000.3", 1001, t), 1000000.2, 0.1, -0.999},
		{"NumAcc4", alternating("10000000.2", "10000000.1", "10000000.3", 1001, t), 10000000.2, 0.1, -0.999},
		{"NumAcc2", alternating("1.2", "1.1", "1.3", 1001, t), 1.2, 0.1, -0.999},
		{"Michelso", michelso(), 299.852400000000, 0.0790105478190518, 0.535199668621283},
		{"Mavro", mavro(), 2.001856, 4.29123454003053e-4, 0.937989183438248},
	} {
		s, err := Summarize(set.xs)
		if err != nil {
			t.Fatal(err)
		}
		tolerance := strd(set.xs[0], set.sd)
		checkCertified(t, set.name+" mean", s.Mean, set.mean, 1e-15)
		checkCertified(t, set.name+" standard deviation", s.SD, set.sd, tolerance)
		checkCertified(t, set.name+" lag-1 autocorrelation", s.Lag1, set.lag1, tolerance)
	}
}

// NIST StRD SiRstv: resistivity of a wafer by five instruments.
func TestOneWayAgainstStRD(t *testing.T) {
	v, err := OneWay([][]float64{
		{196.3052, 196.1240, 196.1890, 196.2569, 196.3403}, {196.3042, 196.3825, 196.1669, 196.3257, 196.0422},
		{196.1303, 196.2005, 196.2889, 196.0343, 196.1811}, {196.2795, 196.1748, 196.1494, 196.1485, 195.9885},
		{196.2119, 196.1051, 196.1850, 196.0052, 196.2090},
	})
	if err != nil {
		t.Fatal(err)
	}
	tolerance := strd(196.3825, 1.04076068334656e-01)
	checkCertified(t, "between", v.Between.SumOfSquares, 5.11462616000000e-02, tolerance)
	checkCertified(t, "within", v.Within.SumOfSquares, 2.16636560000000e-01, tolerance)
	checkCertified(t, "F", v.F, 1.18046237440255, tolerance)
	checkCertified(t, "residual deviation", v.ResidualSD, 1.04076068334656e-01, tolerance)
	checkCertified(t, "R squared", v.RSquared, 1.90999039051129e-01, tolerance)
	checkNear(t, "p, metrology sheet 3.5", v.P, 0.349447, 5.1e-7)
	if v.Between.Freedom != 4 || v.Within.Freedom != 20 {
		t.Errorf("degrees of freedom %d and %d, want 4 and 20", v.Between.Freedom, v.Within.Freedom)
	}
}

// NIST StRD SmLs01, 04 and 07: nine treatments of 21 values with 1, 7 and 13
// constant leading digits. Certified for all: 1.68 (8), 1.80 (180), F 21.
func TestOneWayUnderConstantLeadingDigits(t *testing.T) {
	for _, lead := range []string{"", "100000", "100000000000"} {
		digit := func(tenths string) string {
			if lead == "" {
				return "1." + tenths
			}
			return lead + "0." + tenths
		}
		groups := [][]float64{alternating(digit("4"), digit("3"), digit("5"), 21, t)}
		for len(groups) < 9 {
			groups = append(groups, alternating(digit("3"), digit("2"), digit("4"), 21, t), alternating(digit("5"), digit("4"), digit("6"), 21, t))
		}
		v, err := OneWay(groups)
		if err != nil {
			t.Fatal(err)
		}
		tolerance := strd(groups[0][0], 0.1)
		checkCertified(t, lead+" between", v.Between.SumOfSquares, 1.68, tolerance)
		checkCertified(t, lead+" within", v.Within.SumOfSquares, 1.80, tolerance)
		checkCertified(t, lead+" F", v.F, 21, tolerance)
		if v.Between.Freedom != 8 || v.Within.Freedom != 180 {
			t.Errorf("degrees of freedom %d and %d, want 8 and 180", v.Between.Freedom, v.Within.Freedom)
		}
	}
}
