package server

import (
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strconv"
	"strings"

	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
	"benchyard/server/api"
)

// acceptanceOf reads what a rule accepts back from its text, for example
// "guarded, w = 1.00 U" or "conformance-probability, p >= 0.95".
func acceptanceOf(r api.Result) (api.Acceptance, error) {
	text, figure, _ := strings.Cut(r.Rule, ", ")
	name, err := conformance.ParseRule(text)
	if err != nil {
		return api.Acceptance{}, err
	}
	a := api.Acceptance{Rule: name, Lower: r.Lower, Upper: r.Upper}
	switch name {
	case conformance.Guarded, conformance.GuardedNonBinary:
		factor, err := between(figure, "w = ", " U")
		if err != nil {
			return a, fmt.Errorf("server: decision rule %q: %w", r.Rule, err)
		}
		a.GuardBand = factor * r.Uncertainty
		a.Lower, a.Upper = moved(r.Lower, a.GuardBand), moved(r.Upper, -a.GuardBand)
	case conformance.ConformanceProbability:
		p, err := between(figure, "p >= ", "")
		if err != nil {
			return a, fmt.Errorf("server: decision rule %q: %w", r.Rule, err)
		}
		a.RequiredProbability, a.Lower, a.Upper = &p, nil, nil
	}
	return a, nil
}

func between(text, before, after string) (float64, error) {
	return strconv.ParseFloat(strings.TrimSuffix(strings.TrimPrefix(text, before), after), 64)
}

func decisionFacts(x api.Explanation) []api.ExplanationFact {
	var t told
	r, a := x.Result, x.Acceptance
	unit := api.MarginUnit(r.Unit)
	t.say("Rule", "%s", r.Rule)
	switch a.Rule {
	case conformance.SharedRisk:
		t.say("In words", "the figure as measured is compared with the test requirement, equality passes; both sides share the risk, which the test tolerance covers")
	case conformance.Simple:
		t.say("In words", "simple acceptance: the figure as measured is compared with the test requirement without a guard band, equality passes")
	case conformance.Guarded:
		t.say("In words", "the figure must keep the guard band away from the limit; anything nearer fails")
	case conformance.GuardedNonBinary:
		t.say("In words", "a figure that keeps the guard band away from the limit passes; nearer it passes or fails conditionally, beyond the limit and the guard band it fails")
	case conformance.ConformanceProbability:
		t.say("In words", "the figure passes when the true value lies within the test requirement with a probability of at least %s", shareText(a.RequiredProbability))
	}
	if a.GuardBand > 0 {
		t.say("Guard band", "w = %s", fineText(a.GuardBand, unit))
	}
	if a.RequiredProbability == nil {
		t.say("Accepts", "%s", boundsText(a.Lower, a.Upper, r.Unit))
	}
	t.say("Margin to the limit", "%s; plus is inside", marginText(r.Margin, unit))
	if r.Probability == nil {
		t.say("Conformance probability", "not known, as the figure has no uncertainty")
		return t
	}
	t.say("Conformance probability", "%s that the true value lies within the test requirement, before any tightening or guard band", shareText(r.Probability))
	if accepted(r) {
		t.say("Risk of this verdict", "%s that it is a false accept", shareText(r.Risk))
	} else {
		t.say("Risk of this verdict", "%s that it is a false reject", shareText(r.Risk))
	}
	return t
}

func accepted(r api.Result) bool {
	return conformance.Result{Verdict: conformance.Verdict(r.Verdict)}.Accepted()
}

func verdictFacts(r api.Result) []api.ExplanationFact {
	var t told
	t.say("Verdict", "%s", r.Verdict)
	t.say("Because", "%s against %s, margin %s, by %s", figureText(r.Value, r.Unit), boundsText(r.Lower, r.Upper, r.Unit),
		marginText(r.Margin, api.MarginUnit(r.Unit)), r.Rule)
	return t
}

// reportText prints a figure with its expanded uncertainty as a report has them,
// rounded after JCGM 100 7.2.6. Nothing is compared after rounding.
func reportText(value, u float64, unit string) string {
	scale, shown, spread := 1.0, unit, api.MarginUnit(unit)
	if unit == "Hz" && math.Abs(value) >= 1e6 {
		scale, shown, spread = 1e6, "MHz", "MHz"
	}
	figure, expanded := uncertainty.Text(value/scale, u/scale)
	if shown == spread {
		return minus(figure) + " ± " + expanded + " " + shown
	}
	return minus(figure) + " " + shown + " ± " + expanded + " " + spread
}

// fineText prints a small figure of an uncertainty to one more place than a level.
func fineText(v any, unit string) string {
	x, ok := number(v)
	switch {
	case !ok:
		return none
	case unit == "Hz" && x != 0:
		return hertzFixed(x, 3)
	}
	return minus(strconv.FormatFloat(x, 'f', 3, 64)) + " " + unit
}

// plainText prints a bare number to four figures, without an exponent.
func plainText(v float64) string {
	if v == 0 {
		return "0"
	}
	scale := math.Pow(10, 3-math.Floor(math.Log10(math.Abs(v))))
	return minus(strconv.FormatFloat(math.Round(v*scale)/scale, 'f', -1, 64))
}

// freedomText prints degrees of freedom; nil are infinitely many.
func freedomText(v *float64) string {
	if v == nil {
		return "∞"
	}
	return plainText(*v)
}

// shareText prints a probability in percent. Nothing is ever certain.
func shareText(v any) string {
	p, ok := number(v)
	switch {
	case !ok:
		return "not known"
	case p < 0.0001:
		return "less than 0.01 %"
	case p > 0.9999:
		return "more than 99.99 %"
	}
	return strconv.FormatFloat(100*p, 'f', 2, 64) + " %"
}

// distributionText names the distribution of a part of a budget.
func distributionText(kind string) string {
	switch kind {
	case "arcsine":
		return "arcsine (U-shaped)"
	case "repeated":
		return "from repetitions (type A)"
	case "standard":
		return "standard uncertainty"
	}
	return kind
}

func explanationFunctions() template.FuncMap {
	return template.FuncMap{"figureAddress": figureAddress, "fine": fineText, "plain": plainText, "freedom": freedomText, "distribution": distributionText}
}

// figureAddress is where the page of one figure stands.
func figureAddress(r api.Result) string {
	parts := strings.Split(r.Key, "/")
	for i := range parts {
		parts[i] = url.PathEscape(parts[i])
	}
	return fmt.Sprintf("/cases/%d/figures/%s", r.CaseID, strings.Join(parts, "/"))
}

// BudgetRows returns the parts of an uncertainty budget as cells for people,
// under BudgetHeader.
func BudgetRows(b api.Budget, unit string) [][]string {
	rows := make([][]string, 0, len(b.Parts))
	for _, p := range b.Parts {
		rows = append(rows, []string{p.Name, distributionText(p.Kind), plainText(p.Value), plainText(p.Divisor), plainText(p.Sensitivity),
			fineText(p.Standard, api.MarginUnit(unit)), freedomText(p.DegreesOfFreedom)})
	}
	return rows
}

// BudgetHeader names the columns of BudgetRows.
func BudgetHeader() []string {
	return []string{"Part", "Distribution", "Value", "Divisor", "Sensitivity", "Standard uncertainty", "Degrees of freedom"}
}
