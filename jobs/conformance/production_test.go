package conformance_test

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"benchyard/jobs/conformance"
)

// One-sided, a required probability keeps z standard uncertainties away: 1.644854
// for 0.95 and 2.326348 for 0.99 (metrology sheet 1.4, computed; JCGM 106 Table 1
// prints 1.64 and 2.33).
func TestProbabilityRuleKeepsItsDeviateAway(t *testing.T) {
	above := conformance.Interval{Low: 0, High: math.Inf(1)}
	below := conformance.Interval{Low: math.Inf(-1), High: 0}
	for p, z := range map[float64]float64{0.95: 1.644854, 0.99: 2.326348} {
		for _, tolerance := range []conformance.Interval{above, below} {
			r, err := conformance.RuleRisks(distuv.Normal{Sigma: 2}, 0.5, tolerance, []conformance.DecisionRule{{Name: conformance.ConformanceProbability, Probability: p}})
			if err != nil || math.Abs(r[0].GuardBand-0.5*z) > 5e-7 {
				t.Errorf("p %g over %+v: %+v, %v", p, tolerance, r, err)
			}
		}
	}
}

func TestRulesWithoutRoomAreRefused(t *testing.T) {
	units := distuv.Normal{Sigma: 1}
	within := conformance.Interval{Low: -1, High: 1}
	for name, rule := range map[string]conformance.DecisionRule{
		"guard bands that meet":         {Name: conformance.Guarded, GuardBandFactor: 1},
		"more than the middle conforms": {Name: conformance.ConformanceProbability, Probability: 0.999},
	} {
		var without *conformance.RuleError
		if _, err := conformance.RuleRisks(units, 0.5, within, []conformance.DecisionRule{rule}); !errors.As(err, &without) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, tolerance := range []conformance.Interval{{Low: math.Inf(-1), High: math.Inf(1)}, {Low: 2, High: 1}, {Low: 1, High: 1}} {
		if r, err := conformance.RuleRisks(units, 0.5, tolerance, []conformance.DecisionRule{{}}); err == nil {
			t.Errorf("%+v: %+v", tolerance, r)
		}
	}
}

func TestParseDecisionRule(t *testing.T) {
	for text, want := range map[string]conformance.DecisionRule{
		"shared-risk":                  {Name: conformance.SharedRisk},
		"Guarded:0.83":                 {Name: conformance.Guarded, GuardBandFactor: 0.83},
		"guarded-non-binary:1":         {Name: conformance.GuardedNonBinary, GuardBandFactor: 1},
		"conformance-probability:0.95": {Name: conformance.ConformanceProbability, Probability: 0.95},
	} {
		if got, err := conformance.ParseDecisionRule(text); err != nil || got != want {
			t.Errorf("%q: %+v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", ":1", "guarded", "guarded:", "guarded:NaN", "guarded:-1", "simple:1", "conformance-probability:1", "maybe:1"} {
		if got, err := conformance.ParseDecisionRule(text); err == nil {
			t.Errorf("%q gives %+v", text, got)
		}
	}
}

func FuzzParseDecisionRule(f *testing.F) {
	for _, text := range []string{"shared-risk", "guarded:0.83", "conformance-probability:0.95", "guarded:1e999", ":"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if rule, err := conformance.ParseDecisionRule(text); err == nil && rule.Validate() != nil {
			t.Errorf("%q was read as %+v, which is no rule", text, rule)
		}
	})
}
