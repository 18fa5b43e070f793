package results

import (
	"fmt"

	"gonum.org/v1/gonum/stat/distuv"

	"benchyard/jobs/conformance"
)

// usualConsumerRisk is the share of all units, one in a thousand, that may be
// wrongly accepted where nobody names another.
const usualConsumerRisk = 0.001

// UsualRules are those shown beside one another: what 3GPP has, the guard bands that
// labs use (ILAC-G8:09/2019 Table 1), and a required probability.
func UsualRules() []conformance.DecisionRule {
	return []conformance.DecisionRule{
		{Name: conformance.SharedRisk},
		{Name: conformance.Guarded, GuardBandFactor: 0.83},
		{Name: conformance.Guarded, GuardBandFactor: 1},
		{Name: conformance.Guarded, GuardBandFactor: 1.5},
		{Name: conformance.ConformanceProbability, Probability: 0.95},
	}
}

// Production is what risks are computed of: normal units, a normal error of
// measuring, and what conforms.
type Production struct {
	Mean, SD  float64 // of the units
	Standard  float64 // standard uncertainty of one reading
	Tolerance conformance.Interval
}

// ProductionRisk tells how often rules err over a whole production, so that a
// guard band is chosen with both risks in sight.
type ProductionRisk struct {
	Production
	Rules []conformance.RuleRisk
	// Wanted is a share of all units that may be wrongly accepted, Band the guard
	// band that keeps to it; Refused says why there is none.
	Wanted  float64
	Band    float64
	Refused string
}

// GoodUnitRejected is how often a unit that conforms at so many figures like this
// one, independent of one another, is rejected at one of them at least.
func (r ProductionRisk) GoodUnitRejected(rule conformance.RuleRisk, figures int) float64 {
	return conformance.FamilyRisk(rule.Producer/(1-rule.Nonconforming), figures)
}

// RiskOf compares rules over a production. No rules means those in common use, a
// wanted risk of zero one in a thousand. Figures or rules that make no sense give
// a *RefusedError.
func RiskOf(p Production, rules []conformance.DecisionRule, wanted float64) (ProductionRisk, error) {
	r := ProductionRisk{Production: p, Wanted: wanted}
	if wanted == 0 {
		r.Wanted = usualConsumerRisk
	}
	if len(rules) == 0 {
		rules = UsualRules()
	}
	switch {
	case !(p.SD > 0):
		return r, &RefusedError{"the units do not differ; it needs their standard deviation, above zero"}
	case !(p.Standard > 0):
		return r, &RefusedError{"the figure has no uncertainty; it needs the standard uncertainty of a reading, above zero"}
	case !(r.Wanted > 0 && r.Wanted < 1):
		return r, &RefusedError{fmt.Sprintf("a wanted risk of %g; it is a share of all units between 0 and 1", r.Wanted)}
	}
	units := distuv.Normal{Mu: p.Mean, Sigma: p.SD}
	var err error
	if r.Rules, err = conformance.RuleRisks(units, p.Standard, p.Tolerance, rules); err != nil {
		return r, &RefusedError{err.Error()}
	}
	if r.Band, err = conformance.GuardBandFor(units, p.Standard, p.Tolerance, r.Wanted); err != nil {
		r.Refused = err.Error()
	}
	return r, nil
}

// Production is the population as risks are computed of it: the spread of its
// readings stands for that of the units. It holds part of the error of measuring
// as well, so that risks come out a little large, never small. Fewer
// transmitters than an index takes, or no limit, give a *RefusedError.
func (c Capability) Production() (Production, error) {
	if len(c.Readings) < leastForIndex {
		return Production{}, &RefusedError{fmt.Sprintf("%d readings of transmitters; a spread to rely on takes %d", len(c.Readings), leastForIndex)}
	}
	if c.Limits.Lower == nil && c.Limits.Upper == nil {
		return Production{}, &RefusedError{"no limit applies to this figure"}
	}
	return Production{Mean: c.Summary.Mean, SD: c.Summary.SD, Standard: c.Uncertainty(), Tolerance: c.tolerance()}, nil
}

// OnlyCapability returns the one of a list; a *RefusedError says what is to be
// chosen where it has none or several.
func OnlyCapability(list []Capability) (Capability, error) {
	switch len(list) {
	case 0:
		return Capability{}, &RefusedError{"nothing was measured that fits"}
	case 1:
		return list[0], nil
	}
	found := make([]Population, len(list))
	for i, c := range list {
		found[i] = c.Population
	}
	return Capability{}, &RefusedError{ambiguous(found)}
}
