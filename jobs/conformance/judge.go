package conformance

import (
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// edgeSlack is how far outside its span a filter centre may stand before it is
// another measurement: centres are computed from sweeps and carry binary dust.
const edgeSlack rf.Hertz = 1

// Judge compares each requirement with the reading of the same key and returns
// one Result for each, in the order of the requirements. Equality is a pass,
// also for the occupied bandwidth, which the standard wants below the channel
// bandwidth. A series is judged at the point with the least margin.
//
// Errors are not fails: a requirement without a reading, a reading without a
// requirement, a value that is no measured number (NaN, infinite, or 9.9e37 and
// above), a series with holes wider than the measurement bandwidth, a leakage
// ratio without carrier power, and a rule that cannot decide all give an error
// that names the requirement, and no results.
func Judge(requirements []Requirement, readings []Reading, rule DecisionRule) ([]Result, error) {
	if err := rule.Validate(); err != nil {
		return nil, err
	}
	byKey, problems := index(requirements, readings)
	results := make([]Result, 0, len(requirements))
	for _, req := range requirements {
		reading, ok := byKey[req.Key]
		if !ok {
			problems = append(problems, fmt.Errorf("conformance: no reading for requirement %s (%s)", req.Key, req.Title))
			continue
		}
		result, err := judge(req, reading, rule)
		if err != nil {
			problems = append(problems, err)
			continue
		}
		results = append(results, result)
	}
	if err := errors.Join(problems...); err != nil {
		return nil, err
	}
	return results, nil
}

// index finds the readings by key; keys that stand twice or answer nothing are problems.
func index(requirements []Requirement, readings []Reading) (map[string]Reading, []error) {
	var problems []error
	wanted := make(map[string]bool, len(requirements))
	for _, r := range requirements {
		if wanted[r.Key] {
			problems = append(problems, fmt.Errorf("conformance: requirement %s stands twice", r.Key))
		}
		wanted[r.Key] = true
	}
	byKey := make(map[string]Reading, len(readings))
	for _, r := range readings {
		if _, twice := byKey[r.Key]; twice {
			problems = append(problems, fmt.Errorf("conformance: two readings for requirement %s", r.Key))
		}
		if !wanted[r.Key] {
			problems = append(problems, fmt.Errorf("conformance: reading %q answers no requirement", r.Key))
		}
		byKey[r.Key] = r
	}
	return byKey, problems
}

func judge(req Requirement, reading Reading, rule DecisionRule) (Result, error) {
	if err := measured(req, reading); err != nil {
		return Result{}, fmt.Errorf("conformance: reading for requirement %s: %w", req.Key, err)
	}
	var f found
	switch {
	case reading.Series != nil:
		f = leastMargin(req, *reading.Series, req.drop(reading))
	case req.Alternative != nil:
		f = lessStringent(req, reading)
	default:
		f = found{value: reading.Value, at: reading.At, lower: lowered(req.Lower, req.drop(reading)), upper: lowered(req.Upper, req.drop(reading))}
	}
	verdict, err := rule.decide(req.Key, f.value, f.lower, f.upper, reading.Uncertainty)
	if err != nil {
		return Result{}, err
	}
	notes := f.note
	if d := req.drop(reading); d > 0 {
		notes = joined(notes, fmt.Sprintf("one connector: limit %.2f dB below that of the sum over the cell", d))
	}
	if !req.ToleranceKnown {
		notes = joined(notes, req.ToleranceSource)
	}
	return Result{
		Requirement: req,
		Value:       f.value,
		At:          f.at,
		Lower:       f.lower,
		Upper:       f.upper,
		Margin:      margin(f.value, f.lower, f.upper),
		Uncertainty: reading.Uncertainty,
		Verdict:     verdict,
		Rule:        rule.String(),
		Note:        notes,
	}, nil
}

// found is the figure of a reading that decides, with the limit in force there.
type found struct {
	value        float64
	at           rf.Hertz
	lower, upper *float64
	note         string
}

// drop returns by how much an absolute limit is lower for this reading than for
// the sum over a cell: Scaling, unless the figure is such a sum.
func (r Requirement) drop(reading Reading) float64 {
	if 10*math.Log10(float64(max(1, reading.Connectors))) >= r.Scaling-1e-9 {
		return 0
	}
	return r.Scaling
}

// lessStringent returns the limit of a leakage ratio: the relative one, or the
// ratio at which this carrier just meets the absolute one, whichever is lower
// (TS 38.104 6.6.3.3).
func lessStringent(req Requirement, reading Reading) found {
	f := found{value: reading.Value, at: reading.At, lower: req.Lower, note: "relative limit governs"}
	a := req.Alternative
	ratio := reading.CarrierPower - (a.Core + a.Tolerance - req.drop(reading))
	if ratio < *req.Lower {
		f.lower = &ratio
		f.note = fmt.Sprintf("absolute limit %s dBm/MHz governs", trimmed(math.Round((a.PerMHz-req.drop(reading))*100)/100))
	}
	return f
}

// leastMargin returns the point of a series that is nearest to its limit, or
// furthest beyond it; of equal ones the lowest in frequency.
func leastMargin(req Requirement, s Series, drop float64) found {
	var worst found
	least := math.Inf(1)
	for i, level := range s.Levels {
		at := rf.Hertz(s.Frequencies[i])
		upper := lowered(req.upperAt(at), drop)
		if m := margin(level, nil, upper); m < least {
			least = m
			worst = found{value: level, at: at, upper: upper}
		}
	}
	return worst
}

// upperAt returns the upper bound at an absolute frequency: a sloping limit is
// linear in decibels between Upper at OffsetFrom, which is the end of the span
// next to the carrier, and UpperTo at OffsetTo.
func (r Requirement) upperAt(f rf.Hertz) *float64 {
	width := r.Frequencies.Width()
	if r.UpperTo == nil || width <= 0 {
		return r.Upper
	}
	share := float64((f - r.Frequencies.Low) / width)
	if r.Side == LowerSide {
		share = 1 - share
	}
	share = min(1, max(0, share))
	return figure(*r.Upper + (*r.UpperTo-*r.Upper)*share)
}

func lowered(limit *float64, by float64) *float64 {
	if limit == nil || by == 0 {
		return limit
	}
	return figure(*limit - by)
}

func joined(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}
