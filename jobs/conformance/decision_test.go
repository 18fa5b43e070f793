package conformance_test

import (
	"errors"
	"math"
	"testing"
	"testing/quick"

	"benchyard/jobs/conformance"
)

const (
	pass            = conformance.Pass
	fail            = conformance.Fail
	conditionalPass = conformance.ConditionalPass
	conditionalFail = conformance.ConditionalFail
)

// one judges a single value against bounds; nil does not bind.
func one(lower, upper *float64, value, u float64, rule conformance.DecisionRule) (conformance.Result, error) {
	req := conformance.Requirement{Key: "x", Clause: "6.2", Lower: lower, Upper: upper, ToleranceKnown: true}
	results, err := conformance.Judge([]conformance.Requirement{req}, []conformance.Reading{{Key: "x", Value: value, Uncertainty: u}}, rule)
	if err != nil {
		return conformance.Result{}, err
	}
	return results[0], nil
}

func bound(v float64) *float64 { return &v }

// Fact sheet metrology 1.4 (RF-flavoured rows) and its appendix, key
// "nonbinary_upper_w1.5_TL-13"; rules of ILAC-G8:09/2019 4.2.1 to 4.2.3.
func TestDecisionRules(t *testing.T) {
	shared := conformance.DecisionRule{}
	simple := conformance.DecisionRule{Name: "simple"}
	binary := conformance.DecisionRule{Name: "guarded", GuardBandFactor: 1}
	four := conformance.DecisionRule{Name: "guarded-non-binary", GuardBandFactor: 1}
	type rows []struct {
		y    float64
		want conformance.Verdict
	}
	for _, tt := range []struct {
		name         string
		rule         conformance.DecisionRule
		lower, upper *float64
		u            float64
		rows         rows
	}{
		{"non-binary, upper -13, U 1.5", four, nil, bound(-13), 1.5, rows{
			{-14.6, pass}, {-14.5, pass}, {-13.8, conditionalPass}, {-13.0, conditionalPass},
			{-12.4, conditionalFail}, {-11.5, conditionalFail}, {-11.3, fail},
		}},
		{"guarded, upper -13, U 1.5", binary, nil, bound(-13), 1.5, rows{{-14.6, pass}, {-14.5, pass}, {-13.8, fail}, {-12.4, fail}}},
		{"simple, upper -13", simple, nil, bound(-13), 1.5, rows{{-13.8, pass}, {-13, pass}, {math.Nextafter(-13, 0), fail}, {-12.4, fail}}},
		{"shared risk, upper -13", shared, nil, bound(-13), 1.5, rows{{-13.8, pass}, {-13, pass}, {math.Nextafter(-13, 0), fail}}},
		{"two-sided 2.0, U 0.7", four, bound(-2), bound(2), 0.7, rows{
			{1.2, pass}, {1.3, pass}, {1.6, conditionalPass}, {-1.2, pass}, {-1.6, conditionalPass}, {-2.1, conditionalFail}, {2.8, fail}, {-2.8, fail},
		}},
		{"lower 45, U 0.8", four, bound(45), nil, 0.8, rows{{45.8, pass}, {45.6, conditionalPass}, {45, conditionalPass}, {44.9, conditionalFail}, {44.1, fail}}},
		{"lower 45, shared risk", shared, bound(45), nil, 0.8, rows{{45, pass}, {math.Nextafter(45, 0), fail}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, row := range tt.rows {
				r, err := one(tt.lower, tt.upper, row.y, tt.u, tt.rule)
				if err != nil {
					t.Fatal(err)
				}
				if r.Verdict != row.want {
					t.Errorf("%g: %s, want %s", row.y, r.Verdict, row.want)
				}
			}
		})
	}
}

func TestRuleText(t *testing.T) {
	for want, rule := range map[string]conformance.DecisionRule{
		"shared-risk":                    {},
		"simple":                         {Name: "Simple"},
		"guarded, w = 1.00 U":            {Name: "guarded", GuardBandFactor: 1},
		"guarded-non-binary, w = 0.83 U": {Name: "guarded-non-binary", GuardBandFactor: 0.83},
		"guarded, w = 0.004 U":           {Name: "guarded", GuardBandFactor: 0.004},
		"guarded, w = 1.0049 U":          {Name: "guarded", GuardBandFactor: 1.0049},
	} {
		r, err := one(nil, bound(1), -5, 1, rule)
		if err != nil || r.Rule != want {
			t.Errorf("rule is recorded as %q (%v), want %q", r.Rule, err, want)
		}
	}
}

func TestRulesThatCannotDecide(t *testing.T) {
	for _, tt := range []struct {
		name string
		rule conformance.DecisionRule
		want string
	}{
		{"unknown", conformance.DecisionRule{Name: "hopeful"}, `unknown decision rule "hopeful"; accepted are shared-risk, simple, guarded, guarded-non-binary`},
		{"guarded without factor", conformance.DecisionRule{Name: "guarded"}, "needs a guard band factor above 0"},
		{"negative factor", conformance.DecisionRule{Name: "guarded", GuardBandFactor: -1}, "needs a guard band factor above 0"},
		{"factor is no number", conformance.DecisionRule{Name: "guarded", GuardBandFactor: math.NaN()}, "needs a guard band factor above 0"},
		{"factor on shared risk", conformance.DecisionRule{GuardBandFactor: 1}, "shared-risk has no guard band, but the factor is 1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			wantError(t, tt.rule.Validate(), tt.want)
			_, err := one(nil, bound(1), 0, 1, tt.rule)
			wantError(t, err, tt.want)
		})
	}
	var ruleError *conformance.RuleError
	// Fact sheet metrology 1.2: an empty guarded interval is a configuration error.
	_, err := one(bound(-2), bound(2), 0, 2.1, conformance.DecisionRule{Name: "guarded", GuardBandFactor: 1})
	wantError(t, err, "leaves nothing to accept")
	if !errors.As(err, &ruleError) || ruleError.Key != "x" {
		t.Errorf("error %v is no RuleError of x", err)
	}
	_, err = one(nil, bound(2), 0, 0, conformance.DecisionRule{Name: "guarded", GuardBandFactor: 1})
	wantError(t, err, "no uncertainty")
	// One point is left when the guard bands just meet.
	if r, err := one(bound(-2), bound(2), 0, 2, conformance.DecisionRule{Name: "guarded", GuardBandFactor: 1}); err != nil || r.Verdict != pass {
		t.Errorf("guard bands that just meet: %v, %v", r.Verdict, err)
	}
}

// better ranks the verdicts of a judgement, higher is better.
func better(v conformance.Verdict) int {
	return map[conformance.Verdict]int{pass: 4, conditionalPass: 3, conditionalFail: 2, fail: 1}[v]
}

// The verdict never improves, and the margin never grows, as a reading moves
// away from what the limit wants.
func TestVerdictNeverImprovesAsReadingWorsens(t *testing.T) {
	rules := []conformance.DecisionRule{
		{}, {Name: "simple"}, {Name: "guarded", GuardBandFactor: 1}, {Name: "guarded-non-binary", GuardBandFactor: 1.5},
	}
	property := func(limit, value, worse, uncertainty float64, which uint8, upper bool) bool {
		limit, value = math.Remainder(limit, 200), math.Remainder(value, 200)
		worse, uncertainty = math.Abs(math.Remainder(worse, 50)), 0.01+math.Abs(math.Remainder(uncertainty, 5))
		rule := rules[int(which)%len(rules)]
		lo, hi, moved := &limit, (*float64)(nil), value-worse
		if upper {
			lo, hi, moved = nil, &limit, value+worse
		}
		a, errA := one(lo, hi, value, uncertainty, rule)
		b, errB := one(lo, hi, moved, uncertainty, rule)
		return errA == nil && errB == nil && better(b.Verdict) > 0 && better(b.Verdict) <= better(a.Verdict) && b.Margin <= a.Margin
	}
	if err := quick.Check(property, &quick.Config{MaxCount: 5000}); err != nil {
		t.Error(err)
	}
}

// Order of fact sheet metrology 1.7: error before fail before conditional fail
// before conditional pass before pass; what was not run never counts as a pass.
func TestWorst(t *testing.T) {
	const (
		aborted = conformance.Aborted
		notRun  = conformance.NotRun
		failure = conformance.ErrorVerdict
	)
	for _, tt := range []struct {
		of   []conformance.Verdict
		want conformance.Verdict
	}{
		{nil, notRun},
		{[]conformance.Verdict{pass}, pass},
		{[]conformance.Verdict{pass, conditionalPass, pass}, conditionalPass},
		{[]conformance.Verdict{conditionalPass, conditionalFail}, conditionalFail},
		{[]conformance.Verdict{conditionalFail, fail, pass}, fail},
		{[]conformance.Verdict{fail, failure, pass}, failure},
		{[]conformance.Verdict{pass, notRun}, notRun},
		{[]conformance.Verdict{pass, aborted, notRun}, aborted},
		{[]conformance.Verdict{conditionalPass, notRun}, notRun},
		{[]conformance.Verdict{fail, notRun, aborted}, fail},
		{[]conformance.Verdict{pass, "splendid"}, failure},
		{[]conformance.Verdict{"", pass}, failure},
	} {
		if got := conformance.Worst(tt.of); got != tt.want {
			t.Errorf("worst of %v is %q, want %q", tt.of, got, tt.want)
		}
	}
}
