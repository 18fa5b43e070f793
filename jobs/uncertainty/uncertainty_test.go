package uncertainty

import (
	"errors"
	"math"
	"slices"
	"testing"
	"testing/quick"

	"gonum.org/v1/gonum/stat/distuv"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.9g, want %.9g within %.2g", what, got, want, within)
	}
}

func combine(t *testing.T, parts ...Part) Budget {
	t.Helper()
	b, err := Combine(parts)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Fact sheet metrology 2.1: a half-width of 0.40 dB, each distribution
// (JCGM 100:2008 4.3; values computed there).
func TestDivisors(t *testing.T) {
	for kind, want := range map[Kind]float64{Rectangular: 0.230940, Triangular: 0.163299, Arcsine: 0.282843, Normal: 0.2, Standard: 0.4, Repeated: 0.4} {
		b := combine(t, Part{Name: "level", Kind: kind, Value: 0.4})
		near(t, string(kind), b.Combined, want, 5e-7)
		near(t, string(kind)+" part", b.Parts[0].Standard, want, 5e-7)
	}
	// A certificate that names k = 2.5.
	near(t, "normal, k 2.5", combine(t, Part{Kind: Normal, Value: 0.4, Divisor: 2.5}).Combined, 0.16, 1e-12)
}

// Fact sheet metrology 2.1, table of Student factors t_p(nu), two-sided
// (computed there; JCGM 100 table G.2 prints them to two places).
func TestStudentFactors(t *testing.T) {
	levels := []float64{0.90, 0.95, 0.9545, 0.99}
	for nu, row := range map[float64][4]float64{
		1: {6.3138, 12.706, 13.968, 63.657}, 2: {2.9200, 4.3027, 4.5266, 9.9248}, 3: {2.3534, 3.1824, 3.3068, 5.8409},
		4: {2.1318, 2.7764, 2.8693, 4.6041}, 5: {2.0150, 2.5706, 2.6487, 4.0321}, 8: {1.8595, 2.3060, 2.3664, 3.3554},
		10: {1.8125, 2.2281, 2.2837, 3.1693}, 16: {1.7459, 2.1199, 2.1689, 2.9208}, 20: {1.7247, 2.0860, 2.1330, 2.8453},
		50: {1.6759, 2.0086, 2.0513, 2.6778}, 100: {1.6602, 1.9840, 2.0253, 2.6259}, 0: {1.6449, 1.9600, 2.0000, 2.5758},
	} {
		for i, want := range row {
			near(t, "t", CoverageFactor(levels[i], nu), want, max(5e-5, 5e-5*want))
		}
	}
	// JCGM 100 G.6.4: effective degrees of freedom are truncated, and infinite ones give 2.
	if CoverageFactor(0.99, 16.76) != CoverageFactor(0.99, 16) || CoverageFactor(0.99, 0.4) != CoverageFactor(0.99, 1) {
		t.Error("degrees of freedom are not truncated to whole ones of at least one")
	}
	near(t, "k of this program", CoverageFactor(Coverage, math.Inf(1)), 2, 0)
	near(t, "k of this program, by the error function", math.Sqrt2*math.Erfinv(Coverage), 2, 1e-12)
}

// Many degrees of freedom: the series meets the distribution itself.
func TestManyDegreesOfFreedom(t *testing.T) {
	for _, p := range []float64{0.5, 0.9, 0.95, Coverage, 0.99, 0.9999} {
		for _, nu := range []float64{manyDegrees, 3000, 1e5} {
			near(t, "t", CoverageFactor(p, nu), distuv.StudentsT{Sigma: 1, Nu: nu}.Quantile((1+p)/2), 2e-9)
		}
	}
}

func BenchmarkCombine(b *testing.B) {
	parts := []Part{
		{Kind: Normal, Value: 0.2}, {Kind: Normal, Value: 0.24}, {Kind: Arcsine, Value: 0.1}, {Kind: Arcsine, Value: 0.05},
		{Kind: Repeated, Value: 0.02, DegreesOfFreedom: 9}, {Kind: Standard, Value: 0.1},
	}
	for b.Loop() {
		if _, err := Combine(parts); err != nil {
			b.Fatal(err)
		}
	}
}

// Fact sheet metrology 2.2 and its appendix, "welch_satterthwaite": the end
// gauge of JCGM 100:2008 H.1.
func TestEndGauge(t *testing.T) {
	d := combine(t, Part{Kind: Standard, Value: 5.8, DegreesOfFreedom: 24}, Part{Kind: Standard, Value: 3.9, DegreesOfFreedom: 5}, Part{Kind: Standard, Value: 6.7, DegreesOfFreedom: 8})
	near(t, "u(d)", d.Combined, 9.68194, 5e-6) // printed: 9.7 nm
	near(t, "nu(d)", d.EffectiveDoF, 25.447, 5e-4)
	near(t, "nu(d) as printed", d.EffectiveDoF, 25.6, 0.5)
	parts := []Part{
		{Name: "standard", Kind: Standard, Value: 25, DegreesOfFreedom: 18}, {Name: "comparison", Kind: Standard, Value: 9.7, DegreesOfFreedom: 25.6},
		{Name: "expansion", Kind: Standard, Value: 2.9, DegreesOfFreedom: 50}, {Name: "temperature", Kind: Standard, Value: 16.6, DegreesOfFreedom: 2},
	}
	l := combine(t, parts...)
	near(t, "u(l)", l.Combined, 31.671122, 5e-7) // printed: 32 nm
	near(t, "nu(l)", l.EffectiveDoF, 16.764554, 5e-7)
	k := CoverageFactor(0.99, l.EffectiveDoF)
	near(t, "t99", k, 2.920782, 5e-7)     // printed: 2.92
	near(t, "U99", k*31.664, 92.48, 5e-3) // unrounded inputs; printed: 93 nm
	parts[1].Value, parts[1].DegreesOfFreedom = d.Combined, d.EffectiveDoF
	parts = append(parts, Part{Kind: Standard, Value: 11.7}, Part{Kind: Standard, Value: 1.7})
	near(t, "with second order", combine(t, parts...).Combined, 33.8, 0.1) // printed: 34 nm; 33.86 from inputs of more digits
}

// Fact sheet metrology 2.3: the step attenuator of NIST TN 1900, Example E11.
func TestStepAttenuator(t *testing.T) {
	readings, mean, err := Repetitions("readings", []float64{30.033, 30.058, 30.018, 30.052})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "attenuation", mean+0.003, 30.04325, 1e-9) // printed: 30.043 dB
	b := combine(t, readings,
		Part{Name: "standard", Kind: Rectangular, Value: 0.00433}, Part{Name: "drift", Kind: Arcsine, Value: 0.001980},
		Part{Name: "mismatch", Kind: Arcsine, Value: 0.02828}, Part{Name: "leakage", Kind: Arcsine, Value: 0.003},
		Part{Kind: Rectangular, Value: 0.0005196, Sensitivity: -1}, Part{Kind: Rectangular, Value: 0.0005196},
		Part{Kind: Standard, Value: 0.002}, Part{Kind: Standard, Value: 0.002, Sensitivity: -1},
	)
	near(t, "u(Ls)", b.Parts[0].Standard, 0.00913213, 5e-9)
	near(t, "u(mismatch)", b.Parts[3].Standard, 0.0199970, 5e-8)
	near(t, "u", b.Combined, 0.0224536, 5e-8) // printed: 0.0224 dB
	near(t, "nu", b.EffectiveDoF, 109.642, 5e-4)
	k := CoverageFactor(0.95, b.EffectiveDoF)
	near(t, "k 95 %", k, 1.982, 5e-4)
	near(t, "U", k*b.Combined, 0.044, 1e-3)
	near(t, "interval, low", 30.04325-k*b.Combined, 29.999, 5e-4)
	near(t, "interval, high", 30.04325+k*b.Combined, 30.088, 5e-4)
}

// Fact sheet metrology 2.6: the budget of a path of coupler, cable and pad.
func TestPathBudget(t *testing.T) {
	mismatch := []Part{Mismatch("unit-coupler", 0.20, 0.05), Mismatch("pad-cable", 0.05, 0.07), Mismatch("cable-analyzer", 0.07, 0.13)}
	fixed := []Part{
		{Name: "coupler", Kind: Normal, Value: 0.10}, {Name: "cable", Kind: Normal, Value: 0.06}, {Name: "pad", Kind: Normal, Value: 0.08},
		{Name: "flexing", Kind: Rectangular, Value: 0.05}, {Name: "connectors", Kind: Standard, Value: 0.02},
	}
	repeated := Part{Name: "repeatability", Kind: Repeated, Value: 0.05, Divisor: math.Sqrt(10), DegreesOfFreedom: 9}
	b := combine(t, append(slices.Concat(fixed, mismatch), repeated, Part{Name: "analyzer", Kind: Rectangular, Value: 0.40})...)
	for i, want := range []float64{0.05, 0.03, 0.04, 0.0289, 0.02, 0.0614, 0.0215, 0.0559, 0.0158, 0.2309} {
		near(t, b.Parts[i].Name, b.Parts[i].Standard, want, 5.1e-5)
	}
	near(t, "u", b.Combined, 0.2592, 5e-5)
	near(t, "U", b.Expanded, 0.5184, 6e-5)
	near(t, "nu", b.EffectiveDoF, 6.5e5, 5e3)
	near(t, "share of the analyzer", math.Pow(b.Parts[9].Standard/b.Combined, 2), 0.794, 5e-4)
	whole := combine(t, append(slices.Concat(fixed, mismatch), repeated, Part{Name: "power sensor", Kind: Standard, Value: 0.06})...)
	near(t, "u with a power sensor", whole.Combined, 0.1321, 5e-5)
	near(t, "U with a power sensor", whole.Expanded, 0.2641, 6e-5)
}

// JCGM 100:2008 5.2.2, note 1: ten resistors in series, each with 100 milliohm
// from the same standard, have 1 ohm together; independent ones sqrt(10) times 0.1.
func TestCorrelated(t *testing.T) {
	var parts []Part
	var all []Correlation
	for i := range 10 {
		parts = append(parts, Part{Kind: Standard, Value: 0.1})
		for j := range i {
			all = append(all, Correlation{A: i, B: j, R: 1})
		}
	}
	b, err := Combine(parts, all...)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "together", b.Combined, 1, 1e-12)
	near(t, "apart", combine(t, parts...).Combined, math.Sqrt(0.1), 1e-12)
	// A difference: what errs alike in both drops out.
	opposite := []Part{{Kind: Standard, Value: 0.3}, {Kind: Standard, Value: 0.3, Sensitivity: -1}}
	if b, err = Combine(opposite, Correlation{A: 0, B: 1, R: 1}); err != nil || b.Combined > 1e-9 {
		t.Errorf("difference of one and the same error: %g, %v", b.Combined, err)
	}
}

func TestWhatCannotBeCombined(t *testing.T) {
	good := Part{Kind: Standard, Value: 1}
	for name, parts := range map[string][]Part{
		"negative": {{Kind: Normal, Value: -1}}, "not a number": {{Kind: Normal, Value: math.NaN()}}, "infinite": {{Kind: Normal, Value: math.Inf(1)}},
		"unknown kind": {{Kind: "hopeful", Value: 1}}, "negative divisor": {{Kind: Normal, Value: 1, Divisor: -2}},
		"negative degrees of freedom": {{Kind: Repeated, Value: 1, DegreesOfFreedom: -1}},
	} {
		if _, err := Combine(parts); !errors.Is(err, ErrPart) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, c := range map[string]Correlation{"above one": {0, 1, 1.1}, "with itself": {1, 1, 1}, "nowhere": {0, 2, 1}, "not a number": {0, 1, math.NaN()}} {
		if _, err := Combine([]Part{good, good}, c); !errors.Is(err, ErrPart) {
			t.Errorf("correlation %s: %v", name, err)
		}
	}
	few := Part{Kind: Repeated, Value: 1, DegreesOfFreedom: 4}
	if _, err := Combine([]Part{good, few}, Correlation{0, 1, 0.5}); !errors.Is(err, ErrPart) {
		t.Errorf("correlated part of few degrees of freedom: %v", err)
	}
	if _, _, err := Repetitions("x", []float64{1}); !errors.Is(err, ErrPart) {
		t.Errorf("one reading: %v", err)
	}
	if b, err := Combine(nil); err != nil || b.Expanded != 0 || b.Coverage < 2-1e-12 {
		t.Errorf("no parts: %+v, %v", b, err)
	}
}

// Another part, or more of one, never makes a figure better known.
func TestMorePartsNeverLess(t *testing.T) {
	property := func(a, b, more float64) bool {
		a, b, more = math.Abs(math.Remainder(a, 5)), math.Abs(math.Remainder(b, 5)), math.Abs(math.Remainder(more, 5))
		one, err1 := Combine([]Part{{Kind: Normal, Value: a}, {Kind: Arcsine, Value: b}})
		two, err2 := Combine([]Part{{Kind: Normal, Value: a + more}, {Kind: Arcsine, Value: b}, {Kind: Rectangular, Value: more}})
		return err1 == nil && err2 == nil && two.Expanded >= one.Expanded && one.Combined >= a/2*(1-1e-12)
	}
	if err := quick.Check(property, nil); err != nil {
		t.Error(err)
	}
}
