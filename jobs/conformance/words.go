package conformance

import (
	"fmt"
	"strconv"
	"strings"
)

// ParseClass reads a base station class: "wide-area", "medium-range" or
// "local-area"; case does not matter.
func ParseClass(s string) (Class, error) {
	return word("base station class", s, WideArea, MediumRange, LocalArea)
}

// ParseType reads a base station type: "1-C" or "1-H".
func ParseType(s string) (Type, error) { return word("base station type", s, Type1C, Type1H) }

// ParseRFChannel reads an RF channel: "B", "M" or "T".
func ParseRFChannel(s string) (RFChannel, error) {
	return word("RF channel", s, Bottom, Middle, Top)
}

// ParseCategory reads a category of unwanted emissions: "A" or "B".
func ParseCategory(s string) (string, error) { return word("category", s, "A", "B") }

// ParseRule reads the name of a decision rule; empty means shared risk.
func ParseRule(s string) (string, error) {
	if s == "" {
		return SharedRisk, nil
	}
	return word("decision rule", s, Rules()...)
}

// Rules returns the names of the decision rules, the default first.
func Rules() []string {
	return []string{SharedRisk, Simple, Guarded, GuardedNonBinary, ConformanceProbability}
}

// Clauses returns the clauses of TS 38.141-1 that have a procedure, in order.
// LimitClauses has all with limits, MeasuredClauses what a plan may name.
func Clauses() []string {
	return []string{OutputPowerClause, OccupiedBandwidthClause, LeakageRatioClause, OperatingBandClause, SpuriousEmissionsClause}
}

// LimitClauses returns the clauses of TS 38.141-1 that the limit set covers, in order.
func LimitClauses() []string {
	return []string{OutputPowerClause, DynamicRangeClause, OffPowerClause, TransientClause, FrequencyErrorClause, ModulationClause,
		TimeAlignmentClause, OccupiedBandwidthClause, LeakageRatioClause, OperatingBandClause, SpuriousEmissionsClause, IntermodulationClause}
}

// ClauseTitle returns the title of a clause for people, or an empty string for
// a clause without limits.
func ClauseTitle(clause string) string {
	switch clause {
	case OutputPowerClause:
		return "base station output power"
	case OccupiedBandwidthClause:
		return "occupied bandwidth"
	case LeakageRatioClause:
		return "adjacent channel leakage power ratio"
	case OperatingBandClause:
		return "operating band unwanted emissions"
	case SpuriousEmissionsClause:
		return "transmitter spurious emissions"
	case DynamicRangeClause:
		return "total power dynamic range"
	case OffPowerClause:
		return "transmitter OFF power"
	case TransientClause:
		return "transmitter transient period"
	case FrequencyErrorClause:
		return "frequency error"
	case ModulationClause:
		return "modulation quality"
	case TimeAlignmentClause:
		return "time alignment error"
	case IntermodulationClause:
		return "transmitter intermodulation"
	case ToneClause:
		return "transceiver health: tone"
	case FlatnessClause:
		return "transceiver health: gain flatness"
	case LinearityClause:
		return "transceiver health: power against attenuation"
	case OutputClause:
		return "transceiver health: output power sweep"
	}
	return ""
}

// word matches s against the accepted words without regard to case or space around it.
func word[T ~string](what, s string, accepted ...T) (T, error) {
	list := make([]string, len(accepted))
	for i, w := range accepted {
		if strings.EqualFold(strings.TrimSpace(s), string(w)) {
			return w, nil
		}
		list[i] = string(w)
	}
	return "", fmt.Errorf("conformance: unknown %s %q; accepted are %s", what, s, strings.Join(list, ", "))
}

// trimmed prints a number with as many digits as it needs.
func trimmed(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
