package conformance

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

// Quantities that are answered by a series over frequency.
const (
	unwantedEmission = "unwanted emission"
	spuriousEmission = "spurious emission"
)

// Requirements returns every limit of one clause that applies to the subject,
// in rising order of frequency within each side, those of declared options
// behind the general ones; clause "" means all clauses of Clauses. It fails where the declaration or the carrier is impossible, and
// where the limit set has no limit for the case: nothing is ever guessed.
func (l *Set) Requirements(s Subject, clause string) ([]Requirement, error) {
	sub, err := l.check(s)
	if err != nil {
		return nil, err
	}
	if clause == "" {
		var all []Requirement
		for _, c := range Clauses() {
			list, err := sub.permitted(sub.requirements(c))
			if err != nil {
				return nil, err
			}
			all = append(all, list...)
		}
		return all, nil
	}
	return sub.permitted(sub.requirements(clause))
}

// Refused is a clause that has no limits for a subject.
type Refused struct {
	Clause string
	Reason string // without the name of this package
}

// Applicable returns every limit of one clause, as Requirements does, or for
// clause "" those of every clause of LimitClauses that has some, and for each of
// the others why it has none.
func (l *Set) Applicable(s Subject, clause string) (list []Requirement, refused []Refused, err error) {
	if clause != "" {
		list, err = l.Requirements(s, clause)
		return list, nil, err
	}
	for _, clause := range LimitClauses() {
		found, err := l.Requirements(s, clause)
		switch {
		case err != nil && clause == OutputPowerClause: // which every carrier has: the question is wrong
			return nil, nil, err
		case err != nil:
			refused = append(refused, Refused{clause, strings.TrimPrefix(err.Error(), "conformance: ")})
		}
		list = append(list, found...)
	}
	return list, refused, nil
}

// checked is a Subject that passed the checks, with what follows from it.
type checked struct {
	Subject
	set     *limitSet
	band    Band
	delta   rf.Hertz // delta f_OBUE
	options []string // as OptionWords writes them
	scaling float64  // 10log10(NTXU,countedpercell), dB; zero for type 1-C
}

// summed says in a title that a limit holds for a whole cell of type 1-H.
func (s checked) summed() string {
	if s.scaling == 0 {
		return ""
	}
	return fmt.Sprintf(", sum over %d transmitter units", s.TransmitUnits)
}

// requirements returns the limits of one clause, those of declared options last.
func (s checked) requirements(clause string) ([]Requirement, error) {
	if s.Environment == Extreme && clause != OutputPowerClause && slices.Contains(LimitClauses(), clause) {
		return nil, fmt.Errorf("conformance: %s is tested in the normal environment only; the extreme one is for %s", clause, OutputPowerClause)
	}
	if s.several() {
		return s.ofConfiguration(clause)
	}
	switch clause {
	case OutputPowerClause:
		return s.outputPower(), nil
	case DynamicRangeClause:
		return s.dynamicRange()
	case OffPowerClause:
		return s.offPower()
	case TransientClause:
		return s.transient()
	case FrequencyErrorClause:
		return s.frequencyError()
	case ModulationClause:
		return s.modulation()
	case TimeAlignmentClause:
		return s.timeAlignment(), nil
	case OccupiedBandwidthClause:
		return s.occupiedBandwidth(), nil
	case LeakageRatioClause:
		return s.leakageRatio(LowerSide, UpperSide)
	case OperatingBandClause:
		return s.operatingBand()
	case SpuriousEmissionsClause:
		return s.spurious()
	case IntermodulationClause:
		return s.intermodulation()
	}
	return nil, fmt.Errorf("conformance: no requirements for clause %q; known are %s", clause, strings.Join(LimitClauses(), ", "))
}

func (s checked) occupiedBandwidth() []Requirement {
	t := s.set.Requirements.OccupiedBandwidth
	bw := float64(s.Carrier.Bandwidth)
	r := Requirement{
		Key:         OccupiedBandwidthClause,
		Clause:      OccupiedBandwidthClause,
		Title:       "occupied bandwidth (99 % of the power) within the channel bandwidth",
		Quantity:    "occupied bandwidth",
		Unit:        "Hz",
		Core:        bw,
		CoreTo:      bw,
		Frequencies: s.Carrier.Edges(),
		CoreSource:  t.Source.String(),
	}
	r.setTolerance(t.Tolerance, s.Carrier, t.Source.Provenance)
	r.Upper = figure(bw + r.Tolerance)
	return []Requirement{r}
}

// setTolerance fills tolerance, its source and the provenance of the test
// requirement, given how far the core value can be trusted.
func (r *Requirement) setTolerance(t tolerance, c Carrier, core string) {
	r.setToleranceAt(c.Center, t, c, core)
}

// setToleranceAt is setTolerance for a figure at f instead of at the carrier.
func (r *Requirement) setToleranceAt(f rf.Hertz, t tolerance, c Carrier, core string) {
	value, from, known := t.at(f, c)
	if !known {
		what := "a carrier at"
		if f != c.Center {
			what = "a figure at"
		}
		r.withoutTolerance(fmt.Sprintf("no test tolerance known for %s %s: core value in force", what, f), core)
		return
	}
	r.Tolerance, r.ToleranceKnown = value, true
	r.ToleranceSource = from.String()
	r.Provenance = together(core, from.Provenance)
	r.Loosened = append(r.Loosened, t.loosenings(place{f, c})...)
}

// together says how far a figure made of two can be trusted.
func together(core, tolerance string) string {
	if core == tolerance {
		return core
	}
	known := strings.Split(core+"+"+tolerance, "+")
	var kinds []string
	for _, kind := range []string{"spec", "memory", "lab"} {
		if slices.Contains(known, kind) {
			kinds = append(kinds, kind)
		}
	}
	return strings.Join(kinds, "+")
}

// withoutTolerance leaves the core value in force and says why.
func (r *Requirement) withoutTolerance(why, core string) {
	r.Tolerance, r.ToleranceKnown = 0, false
	r.ToleranceSource = why
	r.Provenance = core
}

// figure rounds a limit to nanodecibels or nanohertz: sums of decimal figures
// carry binary dust, and equality is a pass.
func figure(v float64) *float64 {
	v = clean(v)
	return &v
}

func clean(v float64) float64 { return math.Round(v*1e9) / 1e9 }
