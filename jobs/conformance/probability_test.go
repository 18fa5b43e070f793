package conformance_test

import (
	"math"
	"testing"

	"benchyard/jobs/conformance"

	"gonum.org/v1/gonum/stat/distuv"
)

func within(t *testing.T, what string, got, want, slack float64) {
	t.Helper()
	if !(math.Abs(got-want) <= slack) {
		t.Errorf("%s: %.9g, want %.9g within %.2g", what, got, want, slack)
	}
}

// Fact sheet metrology 1.4 and its appendix, "conformance": examples of JCGM
// 106:2012 (diode 0.92, container 0.976, viscosity 0.66) and RF ones.
func TestConformanceProbability(t *testing.T) {
	for _, row := range []struct {
		name         string
		lower, upper *float64
		y, u, want   float64
	}{
		{"diode", nil, bound(-5.40), -5.47, 0.05, 0.919243341},
		{"container", bound(490), nil, 507, 8.6, 0.975964723},
		{"viscosity", bound(12.5), bound(16.3), 13.6, 1.8, 0.662629786},
		{"-14.6 dBm", nil, bound(-13), -14.6, 0.75, 0.983551},
		{"-13.8 dBm", nil, bound(-13), -13.8, 0.75, 0.856939},
		{"-12.4 dBm", nil, bound(-13), -12.4, 0.75, 0.211855},
		{"-11.3 dBm", nil, bound(-13), -11.3, 0.75, 0.0117053},
		{"+1.2 dB", bound(-2), bound(2), 1.2, 0.35, 0.988865},
		{"+1.6 dB", bound(-2), bound(2), 1.6, 0.35, 0.873451},
		{"45.6 dB", bound(45), nil, 45.6, 0.4, 0.933193},
		// 1.6: a reading at TR = +2.7 dB with U = 0.7 (k = 1.96).
		{"at the test requirement, core", nil, bound(2.0), 2.7, 0.7 / 1.959964, 0.0250},
		{"at the test requirement", nil, bound(2.7), 2.7, 0.7 / 1.959964, 0.5},
		{"exact, inside", nil, bound(1), 1, 0, 1},
		{"exact, outside", bound(1), nil, 0.999, 0, 0},
		{"no bounds", nil, nil, 7, 1, 1},
	} {
		slack := max(5e-10, 5.1e-7)
		if row.want == 0.0250 {
			slack = 5e-5
		}
		within(t, row.name, conformance.Conforms(row.y, row.u, row.lower, row.upper), row.want, slack)
	}
	// Those of the appendix have nine digits.
	within(t, "diode", conformance.Conforms(-5.47, 0.05, nil, bound(-5.40)), 0.919243341, 5e-10)
	within(t, "container", conformance.Conforms(507, 8.6, bound(490), nil), 0.975964723, 5e-10)
	within(t, "viscosity", conformance.Conforms(13.6, 1.8, bound(12.5), bound(16.3)), 0.662629786, 5e-10)
}

// ILAC-G8:09/2019 Table 1 (fact sheet metrology 1.3): the probability of a
// false accept at the acceptance limit, w = r U with k = 2.
func TestGuardBandTable(t *testing.T) {
	for _, row := range []struct{ r, quoted, exact, slack float64 }{
		{0, 0.5, 0.5, 1e-12}, {0.83, 0.05, 0.0484572, 5e-8}, {1, 0.025, 0.0227501, 5e-8}, {1.5, 0.0016, 0.00134990, 5e-9}, {3, 1e-6, 9.86588e-10, 5e-15},
	} {
		const limit, u = -13.0, 0.75
		accept := limit - row.r*2*u
		wrong := conformance.Conforms(accept, u, bound(limit), nil) // of the opposite: true value above the limit
		within(t, "false accept", wrong, row.exact, row.slack)
		if row.exact > row.quoted {
			t.Errorf("r = %g: %g, quoted is less than %g", row.r, row.exact, row.quoted)
		}
		if row.r > 0 {
			rule := conformance.DecisionRule{Name: "guarded", GuardBandFactor: row.r}
			r, err := one(nil, bound(limit), accept, 2*u, rule)
			if err != nil || r.Verdict != pass {
				t.Errorf("r = %g: %s at its acceptance limit, %v", row.r, r.Verdict, err)
			}
			risk, known := r.Risk()
			within(t, "risk of the verdict", risk, row.exact, max(row.slack, 1e-15))
			if !known {
				t.Error("risk of a judged figure is not known")
			}
		}
	}
}

// Fact sheet metrology 1.4: one-sided z of a required probability (JCGM 106
// Table 1 prints 0.84, 1.28, 1.64, 2.33, 3.09), AL = TU - z u.
func TestRequiredProbability(t *testing.T) {
	for p, z := range map[float64]float64{0.80: 0.841621, 0.90: 1.281552, 0.95: 1.644854, 0.975: 1.959964, 0.99: 2.326348, 0.999: 3.090232} {
		rule := conformance.DecisionRule{Name: "conformance-probability", Probability: p}
		const u = 0.75
		for _, row := range []struct {
			off  float64
			want conformance.Verdict
		}{{-2e-6, pass}, {2e-6, fail}} {
			r, err := one(nil, bound(-13), -13-z*u+row.off, 2*u, rule)
			if err != nil || r.Verdict != row.want {
				t.Errorf("p = %g, %g beside the acceptance limit: %s, %v", p, row.off, r.Verdict, err)
			}
			if r, err = one(bound(45), nil, 45+z*u-row.off, 2*u, rule); err != nil || r.Verdict != row.want {
				t.Errorf("p = %g, lower limit: %s, %v", p, r.Verdict, err)
			}
		}
	}
	// Equality is a pass: at the limit itself a half is reached.
	half := conformance.DecisionRule{Name: "conformance-probability", Probability: 0.5}
	if r, err := one(nil, bound(-13), -13, 1.5, half); err != nil || r.Verdict != pass || r.Rule != "conformance-probability, p >= 0.5" {
		t.Errorf("a half at the limit: %+v, %v", r, err)
	}
	// Exactly the probability that the middle of two bounds has: 2 Phi(2) - 1.
	middle := conformance.DecisionRule{Name: "conformance-probability", Probability: math.Erf(math.Sqrt2)}
	if r, err := one(bound(-2), bound(2), 0, 2, middle); err != nil || r.Verdict != pass {
		t.Errorf("middle: %s, %v", r.Verdict, err)
	}
	_, err := one(bound(-2), bound(2), 0, 2.01, middle)
	wantError(t, err, "even the middle of -2 to 2 conforms with 0.9534 only")
	_, err = one(nil, bound(2), 0, 0, half)
	wantError(t, err, "no uncertainty")
	for _, p := range []float64{0, 0.49, 1, 1.5, -0.9, math.NaN()} {
		wantError(t, conformance.DecisionRule{Name: "conformance-probability", Probability: p}.Validate(), "needs a probability from 0.5 to below 1")
	}
	wantError(t, conformance.DecisionRule{Probability: 0.95}.Validate(), "asks for no probability")
	wantError(t, conformance.DecisionRule{Name: "conformance-probability", Probability: 0.95, GuardBandFactor: 1}.Validate(), "has no guard band")
}

// Fact sheet metrology 1.5 and its appendix, "global_risk" (JCGM 106:2012
// 9.5.4 ball bearing; a metrology-conference paper; own figures).
func TestGlobalRisk(t *testing.T) {
	inf := math.Inf(1)
	normal := func(s float64) conformance.Process { return distuv.Normal{Sigma: s} }
	for _, row := range []struct {
		name              string
		process           conformance.Process
		um, low, high, al float64
		rc, rp            float64 // below zero: not published
		slack             float64
	}{
		{"ball bearing", distuv.Gamma{Alpha: 4, Beta: 4}, 0.25, -inf, 2, 2, 0.00801911, -1, 5e-9},
		{"ball bearing, guarded", distuv.Gamma{Alpha: 4, Beta: 4}, 0.25, -inf, 2, 1.671829, 0.001, -1, 5e-9},
		{"N(0,4)", normal(4), 1, -8, 8, 8, 0.00800608, 0.0148509, 5e-8},
		{"N(0,1), AL 1.82", normal(1), 0.5, -2, 2, 1.82, 0.00805161, 0.0661065, 5e-8},
		{"RF, simple", normal(0.12), 0.04, -0.2, 0.2, 0.2, 0.0189422, 0.0372078, 5e-8},
		{"RF, w = U", normal(0.12), 0.04, -0.2, 0.2, 0.12, 0.000468634, 0.24766964, 5e-9},
	} {
		t.Run(row.name, func(t *testing.T) {
			accept := conformance.Interval{Low: -row.al, High: row.al}
			if math.IsInf(row.low, -1) {
				accept.Low = -inf
			}
			r, err := conformance.GlobalRisk(row.process, row.um, conformance.Interval{Low: row.low, High: row.high}, accept)
			if err != nil {
				t.Fatal(err)
			}
			within(t, "consumer's risk", r.Consumer, row.rc, row.slack)
			if row.rp >= 0 {
				within(t, "producer's risk", r.Producer, row.rp, row.slack)
			}
		})
	}
	r, err := conformance.GlobalRisk(distuv.Gamma{Alpha: 4, Beta: 4}, 0.25, conformance.Interval{Low: -inf, High: 2}, conformance.Interval{Low: -inf, High: 2})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "nonconforming bearings", r.Nonconforming, 0.0423801, 5e-8) // printed: 4.2 %
	if r, err = conformance.GlobalRisk(normal(0.12), 0.04, conformance.Interval{Low: -0.2, High: 0.2}, conformance.Interval{Low: -0.2, High: 0.2}); err != nil {
		t.Fatal(err)
	}
	within(t, "conforming share", 1-r.Nonconforming, 0.904419, 5e-7)
}

// Fact sheet metrology 1.5: share in tolerance +/-1 before the measurement,
// um = s0/4, consumer's risk in percent (published and computed).
func TestGlobalRiskOfPriors(t *testing.T) {
	for share, want := range map[float64]float64{0.60: 4.838603, 0.80: 2.855831, 0.95: 0.871010, 0.99: 0.199917} {
		s := 1 / distuv.UnitNormal.Quantile((1+share)/2)
		tolerance := conformance.Interval{Low: -1, High: 1}
		r, err := conformance.GlobalRisk(distuv.Normal{Sigma: s}, s/4, tolerance, tolerance)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "consumer's risk / %", 100*r.Consumer, want, 5.1e-7)
		within(t, "share", 1-r.Nonconforming, share, 1e-9)
	}
}

// JCGM 106:2012 9.5.4: the guard band that leaves a risk of 0.1 %.
func TestGuardBandForRisk(t *testing.T) {
	bearings := distuv.Gamma{Alpha: 4, Beta: 4}
	tolerance := conformance.Interval{Low: math.Inf(-1), High: 2}
	w, err := conformance.GuardBandFor(bearings, 0.25, tolerance, 0.001)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "guard band", w, 0.328171, 5e-7) // printed: 0.328
	within(t, "acceptance limit", 2-w, 1.671829, 5e-7)
	if w, err = conformance.GuardBandFor(bearings, 0.25, tolerance, 0.01); err != nil || w != 0 {
		t.Errorf("simple acceptance is good enough, but the guard band is %g, %v", w, err)
	}
	_, err = conformance.GuardBandFor(distuv.Normal{Sigma: 4}, 1, conformance.Interval{Low: -1, High: 1}, 1e-12)
	wantError(t, err, "no guard band")
	for _, bad := range []struct {
		u      float64
		accept conformance.Interval
	}{{0, tolerance}, {-1, tolerance}, {math.NaN(), tolerance}, {1e-6, tolerance}, {0.25, conformance.Interval{Low: 2, High: 1}}} {
		if _, err := conformance.GlobalRisk(bearings, bad.u, tolerance, bad.accept); err == nil {
			t.Errorf("u = %g, acceptance %v: no error", bad.u, bad.accept)
		}
	}
}

// Fact sheet metrology 1.7: at least one wrong decision among n.
func TestFamilyRisk(t *testing.T) {
	for n, want := range map[int]float64{10: 0.20597, 50: 0.68437, 100: 0.90038, 1: 0.0228, 0: 0} {
		within(t, "family", conformance.FamilyRisk(0.0228, n), want, 5.1e-6)
	}
}
