package server

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// stepsOf tells an explanation in words, in the order in which things happened.
// The page and the command line print the same.
func stepsOf(x api.Explanation) []api.ExplanationStep {
	return []api.ExplanationStep{
		{Name: "reading", Title: "Read at the analyzer", Facts: readingFacts(x)},
		{Name: "correction", Title: "Path correction", Facts: correctionFacts(x)},
		{Name: "figure", Title: "Figure at the connector", Facts: figureFacts(x.Result)},
		{Name: "uncertainty", Title: "Uncertainty of the figure", Facts: uncertaintyFacts(x.Result)},
		{Name: "requirement", Title: "Requirement", Facts: requirementFacts(x)},
		{Name: "decision", Title: "Decision rule", Facts: decisionFacts(x)},
		{Name: "verdict", Title: "Verdict", Facts: verdictFacts(x.Result)},
	}
}

// told collects the facts of a step; what says nothing is left out.
type told []api.ExplanationFact

func (t *told) say(name, format string, args ...any) {
	if text := fmt.Sprintf(format, args...); text != "" {
		*t = append(*t, api.ExplanationFact{Name: name, Text: text})
	}
}

func readingFacts(x api.Explanation) []api.ExplanationFact {
	var t told
	with := x.Read.Analyzer
	if with == "" {
		with = "an analyzer whose identity was not recorded"
	}
	if c := x.Read.Certificate; c != "" {
		with += ", certificate " + c
	}
	if x.Read.Bench != "" {
		with += ", on " + x.Read.Bench
	}
	t.say("Analyzer", "%s", with)
	t.say("Measured over", "%s", sweptText(takenOver(x.Read.Traces, x.Result.Key)))
	if x.Read.AsReadDBm != nil {
		t.say("Level as read", "%s at %s", figureText(x.Read.AsReadDBm, "dBm"), figureText(x.Result.AtHz, "Hz"))
	} else {
		t.say("Level as read", "not a single level: the figure is computed from every point of the trace")
	}
	return t
}

// takenOver returns the traces that belong to one requirement alone, where
// there are such; else the figure comes from all of its case.
func takenOver(traces []api.Trace, key string) []api.Trace {
	var own []api.Trace
	for _, t := range traces {
		if t.Role == key {
			own = append(own, t)
		}
	}
	if own == nil {
		return traces
	}
	return own
}

// sweptText says what the stored traces of a case cover.
func sweptText(traces []api.Trace) string {
	if len(traces) == 0 {
		return "no trace is stored"
	}
	low, high, points := traces[0].StartHz, traces[0].StopHz, 0
	var roles, filters []string
	for _, t := range traces {
		low, high, points = min(low, t.StartHz), max(high, t.StopHz), points+t.Points
		if !slices.Contains(roles, t.Role) {
			roles = append(roles, t.Role)
		}
		if rbw := figureText(t.RBWHz, "Hz"); !slices.Contains(filters, rbw) {
			filters = append(filters, rbw)
		}
	}
	return fmt.Sprintf("%s (%s), %s to %s, %s, resolution bandwidth %s", amountText(len(traces), "stored trace"), strings.Join(roles, ", "),
		figureText(low, "Hz"), figureText(high, "Hz"), amountText(points, "point"), strings.Join(filters, ", "))
}

func correctionFacts(x api.Explanation) []api.ExplanationFact {
	var t told
	r := x.Result
	table := fmt.Sprintf("signal path of connector %d", r.Conditions.Connector)
	if x.Read.Bench != "" {
		table += " on " + x.Read.Bench
	}
	switch {
	case r.CorrectionDB != nil:
		t.say("Path loss added", "%s at %s; every other point by the loss at its own frequency", marginText(r.CorrectionDB, "dB"), figureText(r.AtHz, "Hz"))
	case r.Unit == "dBm":
		t.say("Path loss added", "each point by the loss at its own frequency; the loss at this figure was not recorded")
	case r.Unit == "dB":
		t.say("Path loss added", "each point of the trace by the loss at its own frequency, before the ratio was taken; no single loss belongs to it")
	default:
		t.say("Path loss added", "each point of the trace by the loss at its own frequency; no single loss belongs to this figure")
	}
	t.say("Taken from", "%s, inventory version %d", table, x.LabVersion)
	if f := r.NoiseFloor; f != nil {
		t.say("Noise floor", "%s", noiseText(*f, r.Unit))
	}
	return t
}

// noiseText says what was done about the noise of the analyzer.
func noiseText(f api.NoiseFloor, unit string) string {
	where := "the level at the connector"
	if unit == "dB" {
		where = "the level in the adjacent channel"
	}
	done := figureText(f.TakenDB, "dB") + " taken off"
	if f.TakenDB == 0 {
		done = "not taken off, for it is too near"
	}
	return fmt.Sprintf("%s: %s was %s, %s over the noise alone of %s (the same sweep, transmitter muted)", done, where,
		figureText(f.MeasuredDBm, "dBm"), figureText(f.ExcessDB, "dB"), figureText(f.FloorDBm, "dBm"))
}

func figureFacts(r api.Result) []api.ExplanationFact {
	var t told
	t.say("Figure", "%s: %s", r.Quantity, figureText(r.Value, r.Unit))
	if r.AtHz != nil {
		t.say("Found at", "%s", figureText(r.AtHz, "Hz"))
	}
	if r.MeasurementBandwidthHz != nil {
		t.say("Measurement bandwidth", "%s", figureText(r.MeasurementBandwidthHz, "Hz"))
	}
	if r.CarrierPowerDBm != nil {
		t.say("Carrier power", "%s, in the same measurement", figureText(r.CarrierPowerDBm, "dBm"))
	}
	t.say("Conditions", "%s; carrier at %s, %s", conditionText(r.Conditions), figureText(r.Conditions.CarrierHz, "Hz"), r.Conditions.TestModel)
	return t
}

func uncertaintyFacts(r api.Result) []api.ExplanationFact {
	var t told
	unit := api.MarginUnit(r.Unit)
	if b := r.Budget; b != nil {
		t.say("Combined standard uncertainty", "%s, %s effective degrees of freedom", fineText(b.Combined, unit), freedomText(b.EffectiveDoF))
		t.say("Expanded uncertainty", "U = %s × %s = ±%s, coverage 95.45 %%", plainText(b.Coverage), fineText(b.Combined, unit), fineText(b.Expanded, unit))
	} else if r.Uncertainty > 0 {
		t.say("Expanded uncertainty", "±%s (k = 2); its parts were not recorded", fineText(r.Uncertainty, unit))
	} else {
		t.say("Expanded uncertainty", "not known")
	}
	if u := r.Uncertainty; u > 0 {
		t.say("To report", "%s", reportText(r.Value, u, r.Unit))
	}
	if r.MaxUncertainty != nil {
		t.say("Permitted for the test system", "%s", fineText(r.MaxUncertainty, unit))
	} else {
		t.say("Permitted for the test system", "no maximum is known for this figure")
	}
	return t
}

func requirementFacts(x api.Explanation) []api.ExplanationFact {
	var t told
	r, unit := x.Result, api.MarginUnit(x.Result.Unit)
	if conformance.IsHealth(r.Clause) {
		t.say("Clause", "%s, key %s, limits from %s", conformance.ClauseTitle(r.Clause), r.Key, r.Source)
	} else {
		t.say("Clause", "%s %s of TS 38.141-1, key %s, limit set %s", r.Clause, conformance.ClauseTitle(r.Clause), r.Key, r.LimitSet)
	}
	t.say("Applies", "%s", offsetText(x.Limit))
	t.say("Core requirement", "%s, source: %s", coreText(r, x.Limit)+betweenText(x.Limit), r.Source)
	t.say("Loosened by the lab", "%s", loosenedText(x.Limit))
	switch {
	case r.ToleranceKnown && r.Tolerance == 0:
		t.say("Test tolerance", "%s: nothing relaxes the core requirement; source: %s", figureText(r.Tolerance, unit), r.ToleranceSource)
	case r.ToleranceKnown:
		source := r.ToleranceSource
		if source == "" {
			source = "not named"
		}
		t.say("Test tolerance", "%s, which relaxes the core requirement; source: %s", figureText(r.Tolerance, unit), source)
	default:
		t.say("Test tolerance", "none known: the core requirement is used as it stands")
	}
	if other := alternativeText(x.Limit); other != "" {
		t.say("Absolute limit", "%s; source: %s", other, absoluteSource(x.Limit))
	}
	t.say("Provenance", "%s", provenanceText(r.Provenance))
	lower, upper := moved(r.Lower, -r.Tightened), moved(r.Upper, r.Tightened)
	t.say("Absolute limit as a ratio", "%s", absoluteRatioText(x, lower))
	t.say("Test requirement at the figure", "%s", boundsText(lower, upper, r.Unit))
	if r.Tightened > 0 {
		t.say("Tightened by", "%s, because the expanded uncertainty ±%s exceeds the permitted %s by that much", fineText(r.Tightened, unit),
			fineText(r.Uncertainty, unit), fineText(r.MaxUncertainty, unit))
		t.say("Limit in force", "%s", boundsText(r.Lower, r.Upper, r.Unit))
	}
	t.say("Note", "%s", minuses(r.Note))
	return t
}

// absoluteRatioText shows how an absolute limit became the limit of a ratio;
// empty where the relative one governs.
func absoluteRatioText(x api.Explanation, lower *float64) string {
	power := x.Result.CarrierPowerDBm
	if lower == nil || power == nil || x.Limit == nil || x.Limit.Alternative == nil {
		return ""
	}
	a := x.Limit.Alternative
	level := a.Core + a.Tolerance
	if math.Abs(*power-level-*lower) > 1e-6 {
		return ""
	}
	return fmt.Sprintf("carrier power %s less %s = %s: it governs", figureText(power, "dBm"), figureText(level, "dBm"), figureText(lower, "dB"))
}

// moved shifts a limit that may be absent.
func moved(v *float64, by float64) *float64 {
	if v == nil {
		return nil
	}
	sum := *v + by
	return &sum
}

func boundsText(lower, upper *float64, unit string) string {
	switch {
	case lower != nil && upper != nil:
		return figureText(lower, unit) + " to " + figureText(upper, unit)
	case lower != nil:
		return "at least " + figureText(lower, unit)
	case upper != nil:
		return "at most " + figureText(upper, unit)
	}
	return "no limit"
}

// provenanceText says how far the sources of a limit can be trusted.
func provenanceText(provenance string) string {
	words := map[string]string{
		"spec":   "read from the specification",
		"memory": "from memory, provisional until it is read from the specification",
		"lab":    "from the lab's own file",
		"plan":   "from the plan, by whoever wrote it",
	}
	var list []string
	for part := range strings.SplitSeq(provenance, "+") {
		if text, ok := words[part]; ok {
			part += " (" + text + ")"
		}
		list = append(list, part)
	}
	return strings.Join(list, " and ")
}
