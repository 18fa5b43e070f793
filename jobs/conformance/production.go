package conformance

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ParseDecisionRule reads a rule as people type it: its name, and after a colon
// the guard band factor or the probability that it takes, for example
// "shared-risk", "guarded:0.83" or "conformance-probability:0.95".
func ParseDecisionRule(text string) (DecisionRule, error) {
	name, figure, given := strings.Cut(text, ":")
	if name == "" {
		return DecisionRule{}, fmt.Errorf("conformance: decision rule %q has no name; choose from %v", text, Rules())
	}
	name, err := ParseRule(name)
	d := DecisionRule{Name: name}
	if err != nil {
		return d, err
	}
	if given {
		x, err := strconv.ParseFloat(figure, 64)
		if err != nil {
			return d, fmt.Errorf("conformance: decision rule %q: %q is no number; write for example guarded:0.83", text, figure)
		}
		if name == ConformanceProbability {
			d.Probability = x
		} else {
			d.GuardBandFactor = x
		}
	}
	return d, d.Validate()
}

// RuleRisk is what a decision rule makes of a whole production: the guard band
// it keeps, what it accepts, and how often it errs on either side.
type RuleRisk struct {
	Rule      DecisionRule
	GuardBand float64 // kept at every finite end of the tolerance
	Accept    Interval
	GlobalRisks
}

// RuleRisks returns the global risks of rules beside one another, for a
// production judged with the standard uncertainty u against a tolerance
// (JCGM 106:2012 9.5). Conditional passes count as accepted, conditional fails
// as rejected. A rule that leaves nothing to accept is a *RuleError.
func RuleRisks(p Process, u float64, tolerance Interval, rules []DecisionRule) ([]RuleRisk, error) {
	if math.IsInf(tolerance.Low, -1) && math.IsInf(tolerance.High, 1) {
		return nil, errors.New("conformance: without a limit nothing is accepted or rejected, so there is no risk")
	}
	if !(tolerance.Low < tolerance.High) {
		return nil, fmt.Errorf("conformance: there is no room between the limits %g and %g", tolerance.Low, tolerance.High)
	}
	list := make([]RuleRisk, 0, len(rules))
	for _, rule := range rules {
		if err := rule.Validate(); err != nil {
			return nil, err
		}
		w, err := rule.guardBand(u, tolerance)
		if err != nil {
			return nil, err
		}
		r := RuleRisk{Rule: rule, GuardBand: w, Accept: Interval{tolerance.Low + w, tolerance.High - w}}
		if !(r.Accept.Low < r.Accept.High) {
			return nil, &RuleError{"the production", rule.String(), fmt.Sprintf("a guard band of %.3g on each side of %g to %g leaves nothing to accept; choose a smaller factor or lower the uncertainty", w, tolerance.Low, tolerance.High)}
		}
		if r.GlobalRisks, err = GlobalRisk(p, u, tolerance, r.Accept); err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// guardBand is how far from an end of the tolerance the rule begins to accept,
// for the usual coverage factor of 2. The conditional pass of the non-binary
// rule reaches to the end itself.
func (d DecisionRule) guardBand(u float64, tolerance Interval) (float64, error) {
	name, err := ParseRule(d.Name)
	switch name {
	case Guarded:
		return d.GuardBandFactor * 2 * u, err
	case ConformanceProbability:
		return bandForProbability(d, u, tolerance)
	}
	return 0, err
}

// bandForProbability finds the reading nearest to an end that conforms with the
// required probability, by halving: away from the end it only grows.
func bandForProbability(d DecisionRule, u float64, tolerance Interval) (float64, error) {
	const farthest = 40 // standard uncertainties: beyond any probability below 1
	high := farthest * u
	if width := tolerance.High - tolerance.Low; !math.IsInf(width, 1) {
		high = width / 2
	}
	at := func(w float64) float64 {
		x := tolerance.Low + w
		if math.IsInf(tolerance.Low, -1) {
			x = tolerance.High - w
		}
		return Conforms(x, u, finite(tolerance.Low), finite(tolerance.High))
	}
	if best := at(high); best < d.Probability {
		return 0, &RuleError{"the production", d.String(), fmt.Sprintf("with a standard uncertainty of %.3g even the middle of %g to %g conforms with %.4f only; ask for less or lower the uncertainty", u, tolerance.Low, tolerance.High, best)}
	}
	low := 0.0
	for range 100 {
		if middle := (low + high) / 2; at(middle) >= d.Probability {
			high = middle
		} else {
			low = middle
		}
	}
	return high, nil
}
