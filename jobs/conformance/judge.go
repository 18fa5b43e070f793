package conformance

import (
	"errors"
	"fmt"
	"math"
	"strings"

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
	if err := reading.budgeted(req); err != nil {
		return Result{}, fmt.Errorf("conformance: reading for requirement %s: %w", req.Key, err)
	}
	var f found
	switch {
	case reading.Series != nil:
		f = decidingPoint(req, reading, rule)
	case req.Alternative != nil:
		f = lessStringent(req, reading, rule)
	default:
		drop := req.drop(reading)
		f = found{value: reading.Value, at: reading.At, lower: lowered(req.Lower, drop), upper: lowered(req.Upper, drop)}
		f.knows(reading.knownAt(reading.At), req.MaxUncertainty.At(reading.At), rule)
	}
	verdict, err := rule.decide(req.Key, f.value, f.lower, f.upper, f.known)
	if err != nil {
		return Result{}, err
	}
	return Result{
		Requirement:    req,
		Value:          f.value,
		At:             f.at,
		Lower:          f.lower,
		Upper:          f.upper,
		Margin:         margin(f.value, f.lower, f.upper),
		Uncertainty:    f.known.expanded,
		Budget:         f.known.budget,
		MaxUncertainty: f.most,
		Tightened:      f.tightened,
		Probability:    f.probability(),
		CarrierPower:   orNone(reading.CarrierPower),
		Floor:          reading.floorAt(f.point),
		Verdict:        verdict,
		Rule:           rule.String(),
		Note:           notes(req, reading, f),
	}, nil
}

// notes says what a reader of the verdict has to know beside the figures.
func notes(req Requirement, reading Reading, f found) string {
	text := f.note
	if floor := reading.floorAt(f.point).note(req); floor != "" {
		text = joined(text, floor)
	}
	if d := req.drop(reading); d > 0 {
		text = joined(text, fmt.Sprintf("one connector: limit %.2f dB below that of the sum over the cell", d))
	}
	for _, l := range req.Loosened {
		text = joined(text, l.String())
	}
	if !req.ToleranceKnown {
		text = joined(text, req.ToleranceSource)
	}
	if f.tightened > 0 {
		text = joined(text, fmt.Sprintf("requirement tightened by %.4g %[2]s: expanded uncertainty %.4[3]g %[2]s, permitted %.4[4]g %[2]s", f.tightened, difference(req.Unit), f.known.expanded, *f.most))
	}
	return text
}

// difference is the unit of the difference of two figures: levels differ by dB.
func difference(unit string) string {
	if strings.HasPrefix(unit, "dBm") {
		return "dB"
	}
	return unit
}

// found is the figure of a reading that decides, with the limit in force there
// and how well the figure is known.
type found struct {
	value        float64
	at           rf.Hertz
	point        int // of a series
	lower, upper *float64
	note         string
	known        known
	most         *float64 // permitted uncertainty
	tightened    float64
}

// knows puts the uncertainty on the figure and tightens its limits where the
// rule asks for it.
func (f *found) knows(k known, most *float64, rule DecisionRule) {
	f.known, f.most = k, most
	f.tightened = rule.excess(k, most)
	f.upper, f.lower = lowered(f.upper, f.tightened), lowered(f.lower, -f.tightened)
}

// probability is the conformance probability against the limits as they were
// before they were tightened; nil where nothing is known of the uncertainty.
func (f *found) probability() *float64 {
	if !(f.known.standard > 0) {
		return nil
	}
	p := Conforms(f.value, f.known.standard, lowered(f.lower, f.tightened), lowered(f.upper, -f.tightened))
	return &p
}

func orNone(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
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
// ratio at which this carrier just meets the absolute one, whichever is less
// stringent (TS 38.104 6.6.3.3). Each is tightened, or kept away from, by the
// uncertainty of its own figure.
func lessStringent(req Requirement, reading Reading, rule DecisionRule) found {
	relative := found{value: reading.Value, at: reading.At, lower: req.Lower, note: "relative limit governs"}
	relative.knows(reading.knownAt(reading.At), req.MaxUncertainty.At(reading.At), rule)
	a := req.Alternative
	ratio := reading.CarrierPower - (a.Core + a.Tolerance - req.drop(reading))
	absolute := found{value: reading.Value, at: reading.At, lower: &ratio}
	absolute.note = fmt.Sprintf("absolute limit %s dBm/MHz governs", trimmed(math.Round((a.PerMHz-req.drop(reading))*100)/100))
	level := relative.known
	if reading.Absolute != nil {
		level = knownBy(reading.Absolute)
	}
	absolute.knows(level, a.MaxUncertainty.At(reading.At), rule)
	if rule.prefers(req.Key, absolute, relative) {
		return absolute
	}
	return relative
}

// prefers reports whether a bounds the figure less than b, which bounds it from
// below too: its verdict is the better one or, with the same verdict, its limit
// is the lower one. The lower limit may have the wider guard band.
func (d DecisionRule) prefers(key string, a, b found) bool {
	ours, err := d.decide(key, a.value, a.lower, a.upper, a.known)
	theirs, other := d.decide(key, b.value, b.lower, b.upper, b.known)
	if err == nil && other == nil && ours != theirs {
		return rank(ours) < rank(theirs)
	}
	return *a.lower < *b.lower
}

// decidingPoint returns the point of a series that decides: the one nearest to
// its limit, or furthest beyond it, measured in what the rule holds against it.
// That is the margin where only the limit counts, and the margin in multiples
// of the uncertainty where the rule keeps away from it. Of equal ones it is the
// lowest in frequency.
func decidingPoint(req Requirement, reading Reading, rule DecisionRule) found {
	s, drop := reading.Series, req.drop(reading)
	limit := req.slope()
	var worst stretch
	least, at := math.Inf(1), 0
	for _, part := range reading.stretches(req) {
		offset, scale := drop+rule.excess(part.known, part.most), rule.scale(part.known)
		if !(scale > 0) { // nothing is known of these points; the rule will say so
			at, worst = part.from, part
			break
		}
		for i := part.from; i < part.to; i++ {
			upper := limit.at(s.Frequencies[i])
			if req.Sum != nil {
				upper = sumAt(req.Sum, rf.Hertz(s.Frequencies[i]))
			}
			if m := (upper - offset - s.Levels[i]) * scale; m < least {
				least, at, worst = m, i, part
			}
		}
	}
	f := found{value: s.Levels[at], at: rf.Hertz(s.Frequencies[at]), point: at}
	f.upper = lowered(req.upperAt(f.at), drop)
	f.knows(worst.known, worst.most, rule)
	return f
}

// line is an upper limit that is linear in decibels over frequency, held at its
// ends.
type line struct{ low, high, from, to, slope float64 }

func (r Requirement) slope() line {
	l := line{low: float64(r.Frequencies.Low), high: float64(r.Frequencies.High), from: *r.Upper, to: *r.Upper}
	if r.UpperTo == nil || !(r.Frequencies.Width() > 0) {
		return l
	}
	if l.to = *r.UpperTo; r.Side == LowerSide {
		l.from, l.to = l.to, l.from
	}
	l.slope = (l.to - l.from) / (l.high - l.low)
	return l
}

func (l line) at(f float64) float64 {
	switch {
	case f <= l.low:
		return l.from
	case f >= l.high:
		return l.to
	}
	return l.from + l.slope*(f-l.low)
}

// upperAt returns the upper bound at an absolute frequency: a sloping limit is
// linear in decibels between Upper at OffsetFrom, which is the end of the span
// next to the carrier, and UpperTo at OffsetTo.
func (r Requirement) upperAt(f rf.Hertz) *float64 {
	if r.Sum != nil {
		return figure(sumAt(r.Sum, f))
	}
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
