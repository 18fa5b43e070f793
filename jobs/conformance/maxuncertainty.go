package conformance

import (
	"strings"

	"benchyard/instruments/rf"
)

// UncertaintySource is where the permitted uncertainties of the test system
// stand. They are from memory, as the test tolerances are.
const UncertaintySource = "TS 38.141-1 4.1.2.2 T4.1.2.2-1 (memory)"

// UncertaintyStep is a permitted uncertainty up to a frequency, included, from
// where the step before it ends. Zero means any frequency.
type UncertaintyStep struct {
	UpTo  rf.Hertz
	Value float64 // expanded, 95 %, in the unit of the margin
}

// UncertaintySteps are permitted uncertainties by rising frequency.
type UncertaintySteps []UncertaintyStep

// At returns the permitted uncertainty of a figure at f, or nil where none is
// known.
func (s UncertaintySteps) At(f rf.Hertz) *float64 {
	for _, step := range s {
		if step.UpTo == 0 || f <= step.UpTo {
			return figure(step.Value)
		}
	}
	return nil
}

const (
	ghz      = rf.Gigahertz
	anywhere = rf.Hertz(0)
)

// Rows of the table (facts/conformance.md section 9, from memory). Where a
// carrier decides, the row of its frequency holds for the whole requirement.
var (
	powerUncertainty     = UncertaintySteps{{3 * ghz, 0.7}, {6 * ghz, 1.0}}
	rangeUncertainty     = UncertaintySteps{{anywhere, 0.4}}
	levelUncertainty     = UncertaintySteps{{3 * ghz, 2.0}, {6 * ghz, 2.5}} // off power, absolute leakage
	frequencyUncertainty = UncertaintySteps{{anywhere, 12}}                 // Hz
	vectorUncertainty    = UncertaintySteps{{anywhere, 1}}                  // % absolute
	alignmentUncertainty = UncertaintySteps{{anywhere, 25}}                 // ns
	maskUncertainty      = UncertaintySteps{{3 * ghz, 1.5}, {6 * ghz, 1.8}}
	spuriousUncertainty  = UncertaintySteps{{4 * ghz, 2.0}, {19 * ghz, 4.0}, {26 * ghz, 4.5}}
	receiverUncertainty  = UncertaintySteps{{anywhere, 3.0}} // protection of receivers, co-location
	neighbourUncertainty = UncertaintySteps{{3 * ghz, 2.0}, {4.2 * ghz, 2.5}, {6 * ghz, 3.0}}
	faintUncertainty     = UncertaintySteps{{3 * ghz, 3.0}, {4.2 * ghz, 3.5}, {6 * ghz, 4.0}} // limits of -60 dBm and below
)

// faint is the limit up to which neighbours are looked for in the noise.
const faint = -60

// permitted puts the permitted uncertainty of the test system on requirements.
// Those of a configuration have theirs already, each by its own carrier.
func (s checked) permitted(list []Requirement, err error) ([]Requirement, error) {
	if s.several() {
		return list, err
	}
	for i := range list {
		r := &list[i]
		r.MaxUncertainty = s.permittedFor(*r)
		if r.Alternative != nil {
			r.Alternative.MaxUncertainty = levelUncertainty.only(s.Carrier.Center)
		}
	}
	return list, err
}

func (s checked) permittedFor(r Requirement) UncertaintySteps {
	center, bw := s.Carrier.Center, s.Carrier.Bandwidth
	switch limitClause(r) {
	case OutputPowerClause:
		return powerUncertainty.only(center)
	case DynamicRangeClause:
		return rangeUncertainty
	case OffPowerClause:
		return levelUncertainty.only(center)
	case FrequencyErrorClause:
		return frequencyUncertainty
	case ModulationClause:
		return vectorUncertainty
	case TimeAlignmentClause:
		return alignmentUncertainty
	case OccupiedBandwidthClause:
		return occupiedUncertainty(bw)
	case LeakageRatioClause:
		if bw <= 20*rf.Megahertz {
			return UncertaintySteps{{anywhere, 0.8}}
		}
		return UncertaintySteps{{anywhere, 1.2}}
	case OperatingBandClause:
		return maskUncertainty.only(center)
	case SpuriousEmissionsClause:
		return spuriousGroup(r)
	}
	return nil
}

// occupiedUncertainty returns the permitted uncertainty of an occupied
// bandwidth, Hz. None is laid down below 5 MHz.
func occupiedUncertainty(bw rf.Hertz) UncertaintySteps {
	switch {
	case bw < 5*rf.Megahertz:
		return nil
	case bw <= 10*rf.Megahertz:
		return UncertaintySteps{{anywhere, 100e3}}
	case bw <= 50*rf.Megahertz:
		return UncertaintySteps{{anywhere, 300e3}}
	}
	return UncertaintySteps{{anywhere, 600e3}}
}

// spuriousGroup finds the group of limits that a requirement of 6.6.5 belongs to.
func spuriousGroup(r Requirement) UncertaintySteps {
	_, group, _ := strings.Cut(r.Key, SpuriousEmissionsClause+"/")
	switch {
	case group == "" || group[0] >= '0' && group[0] <= '9': // the general limits are numbered
		return spuriousUncertainty
	case strings.HasPrefix(group, protectionOption), strings.HasPrefix(group, colocationWith):
		return receiverUncertainty
	case r.Core <= faint:
		return faintUncertainty
	}
	return neighbourUncertainty
}

// limitClause returns the clause whose limit a requirement is: beside an
// interferer (6.7) those of 6.6.3 to 6.6.5 hold, with their uncertainties.
func limitClause(r Requirement) string {
	if r.Clause == IntermodulationClause {
		for _, clause := range []string{LeakageRatioClause, OperatingBandClause, SpuriousEmissionsClause} {
			if strings.Contains(r.Key, "/"+clause+"/") {
				return clause
			}
		}
	}
	return r.Clause
}

// only returns the step that holds at one frequency, for every frequency.
func (s UncertaintySteps) only(f rf.Hertz) UncertaintySteps {
	if v := s.At(f); v != nil {
		return UncertaintySteps{{anywhere, *v}}
	}
	return nil
}
