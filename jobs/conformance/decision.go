package conformance

import (
	"fmt"
	"math"
)

// Names of the decision rules. Shared risk and simple acceptance compare the
// value, unmodified, with the test requirement; they differ in what they claim.
// The guarded rules keep a guard band w = r*U away from it. The last one wants
// the value to lie within the requirement with a probability.
const (
	SharedRisk             = "shared-risk"             // 3GPP: the test tolerance shares the risk (TS 38.104 4.2)
	Simple                 = "simple"                  // ILAC-G8:09/2019 4.2.1: w = 0, pass or fail
	Guarded                = "guarded"                 // ILAC-G8:09/2019 4.2.2: pass or fail
	GuardedNonBinary       = "guarded-non-binary"      // ILAC-G8:09/2019 4.2.3: conditional verdicts inside the guard band
	ConformanceProbability = "conformance-probability" // JCGM 106:2012 7: pass or fail
)

const (
	// maxGuardBandFactor bounds r; a "6 sigma" guard band is 3 U (ILAC-G8 Table 1).
	maxGuardBandFactor = 10
	// leastProbability is what simple acceptance asks for: less would pass what
	// more likely does not conform.
	leastProbability = 0.5
	// probabilitySlack is how near two probabilities are equal. The error function
	// rounds, and equality is a pass.
	probabilitySlack = 1e-12
)

// Validate reports an unknown name, or a guard band factor or a probability
// that does not fit the rule. The empty name is shared risk. A rule wants its
// own figure and no other: a guard band is never stacked in silence.
func (d DecisionRule) Validate() error {
	name, err := ParseRule(d.Name)
	if err != nil {
		return err
	}
	r, p := d.GuardBandFactor, d.Probability
	guarded := name == Guarded || name == GuardedNonBinary
	switch {
	case guarded && !(r > 0 && r <= maxGuardBandFactor):
		return fmt.Errorf("conformance: decision rule %s needs a guard band factor above 0 and up to %d (1 keeps one expanded uncertainty away), not %g", name, maxGuardBandFactor, r)
	case !guarded && r != 0:
		return fmt.Errorf("conformance: decision rule %s has no guard band, but the factor is %g; choose %s or leave the factor out", name, r, Guarded)
	case name == ConformanceProbability && !(p >= leastProbability && p < 1):
		return fmt.Errorf("conformance: decision rule %s needs a probability from %g to below 1, not %g", name, leastProbability, p)
	case name != ConformanceProbability && p != 0:
		return fmt.Errorf("conformance: decision rule %s asks for no probability, but it is %g; choose %s or leave it out", name, p, ConformanceProbability)
	}
	return nil
}

// String returns the rule as it stands in a record, for example "shared-risk",
// "guarded, w = 1.00 U" or "conformance-probability, p >= 0.95".
func (d DecisionRule) String() string {
	name, err := ParseRule(d.Name)
	switch {
	case err != nil:
		return d.Name
	case d.GuardBandFactor > 0:
		factor := fmt.Sprintf("%.2f", d.GuardBandFactor)
		if exact := trimmed(d.GuardBandFactor); len(exact) > len(factor) {
			factor = exact // a record never rounds a guard band away
		}
		return fmt.Sprintf("%s, w = %s U", name, factor)
	case d.Probability > 0:
		return fmt.Sprintf("%s, p >= %s", name, trimmed(d.Probability))
	}
	return name
}

// tightens reports whether the rule compares with the test requirement itself,
// so that uncertainty beyond the permitted one has to tighten it. The other
// rules hold the whole uncertainty against the figure already.
func (d DecisionRule) tightens() bool {
	name, err := ParseRule(d.Name)
	return err == nil && (name == SharedRisk || name == Simple)
}

// RuleError says that a rule cannot decide anything about a requirement: the
// guard bands of a two-sided limit leave no room between them, or a guarded
// rule meets a figure without uncertainty. It is a mistake in the plan or the
// bench, not a failure of the unit.
type RuleError struct {
	Key    string // of the requirement
	Rule   string
	Reason string
}

// Error says which part of the rule cannot be applied, and why.
func (e *RuleError) Error() string {
	return fmt.Sprintf("conformance: rule %q cannot judge %s: %s", e.Rule, e.Key, e.Reason)
}

// decide compares a value with its bounds. Equality is a pass, of the bound as
// of the guarded one; nothing is rounded first. Bounds that are nil do not bind.
func (d DecisionRule) decide(key string, value float64, lower, upper *float64, k known) (Verdict, error) {
	name, err := ParseRule(d.Name)
	if err != nil {
		return "", err
	}
	w := 0.0
	switch {
	case d.tightens():
		if lower != nil && upper != nil && *lower > *upper {
			return "", &RuleError{key, d.String(), fmt.Sprintf("the uncertainty of the test system tightens the requirement until %g to %g leaves nothing to accept; lower the uncertainty", *lower, *upper)}
		}
	case !(k.expanded > 0):
		return "", &RuleError{key, d.String(), "the figure has no uncertainty to keep away from the limit"}
	case name == ConformanceProbability:
		return d.byProbability(key, value, lower, upper, k.standard)
	default:
		w = d.GuardBandFactor * k.expanded
		if lower != nil && upper != nil && *lower+w > *upper-w {
			return "", &RuleError{key, d.String(), fmt.Sprintf("a guard band of %.3g on each side of %g to %g leaves nothing to accept; choose a smaller factor or lower the uncertainty", w, *lower, *upper)}
		}
	}
	verdict := Pass
	if lower != nil {
		verdict = Worst([]Verdict{verdict, grade(name, -value, -*lower, w)})
	}
	if upper != nil {
		verdict = Worst([]Verdict{verdict, grade(name, value, *upper, w)})
	}
	return verdict, nil
}

// byProbability passes what conforms with the required probability. Between two
// bounds even the middle may not reach it; then the rule cannot decide.
func (d DecisionRule) byProbability(key string, value float64, lower, upper *float64, u float64) (Verdict, error) {
	if lower != nil && upper != nil {
		if best := Conforms((*lower+*upper)/2, u, lower, upper); best < d.Probability-probabilitySlack {
			return "", &RuleError{key, d.String(), fmt.Sprintf("with a standard uncertainty of %.3g even the middle of %g to %g conforms with %.4f only; ask for less or lower the uncertainty", u, *lower, *upper, best)}
		}
	}
	if Conforms(value, u, lower, upper) >= d.Probability-probabilitySlack {
		return Pass, nil
	}
	return Fail, nil
}

// grade judges one upper bound.
func grade(name string, value, limit, w float64) Verdict {
	switch {
	case value <= limit-w:
		return Pass
	case name != GuardedNonBinary:
		return Fail
	case value <= limit:
		return ConditionalPass
	case value <= limit+w:
		return ConditionalFail
	}
	return Fail
}

// margin returns the distance to the nearer bound, positive inside.
func margin(value float64, lower, upper *float64) float64 {
	m := math.Inf(1)
	if lower != nil {
		m = min(m, value-*lower)
	}
	if upper != nil {
		m = min(m, *upper-value)
	}
	return m
}

// Worst returns the verdict that stands for several: error before fail before
// conditional fail before aborted before not run before conditional pass before
// pass. So what was not measured never counts as a pass, and a fail stays a
// fail when the rest was not run. None at all is "not run"; a word that is no
// verdict is an error.
func Worst(verdicts []Verdict) Verdict {
	worst := NotRun
	for i, v := range verdicts {
		if rank(v) == 0 {
			v = ErrorVerdict
		}
		if i == 0 || rank(v) > rank(worst) {
			worst = v
		}
	}
	return worst
}

func rank(v Verdict) int {
	switch v {
	case Pass:
		return 1
	case ConditionalPass:
		return 2
	case NotRun:
		return 3
	case Aborted:
		return 4
	case ConditionalFail:
		return 5
	case Fail:
		return 6
	case ErrorVerdict:
		return 7
	}
	return 0
}
