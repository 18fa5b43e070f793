package conformance

import (
	"fmt"
	"math"
	"strconv"

	"benchyard/instruments/rf"
)

// neighbour is a channel beside the carrier that leakage is held against.
type neighbour struct {
	key, name string   // "1", "channel 1"
	offset    rf.Hertz // between the centres
	filter    rf.Hertz // square, about its centre
	source    source
}

// neighbours returns the channels on one side of the carrier (T6.6.3.2-1): two
// of the same channel bandwidth, with the spacing that fills most of it, and two
// of E-UTRA where the band is also one of E-UTRA.
func (s checked) neighbours() []neighbour {
	t := s.set.Requirements.LeakageRatio
	filter := s.widestConfiguration()
	list := []neighbour{
		{"1", "channel 1", s.Carrier.Bandwidth, filter, t.Source},
		{"2", "channel 2", 2 * s.Carrier.Bandwidth, filter, t.Source},
	}
	older := t.EUTRA
	if !older.Applies.holds(s) {
		return list
	}
	for i, beside := range older.Offsets {
		n := strconv.Itoa(i + 1)
		list = append(list, neighbour{"e-utra/" + n, "E-UTRA channel " + n, s.Carrier.Bandwidth/2 + beside, older.Filter, older.Source})
	}
	return list
}

// leakageRatio returns the limits of 6.6.3, for every neighbour on the given
// sides of the carrier.
func (s checked) leakageRatio(sides ...Side) ([]Requirement, error) {
	core, own, err := s.relativeLeakage()
	if err != nil {
		return nil, err
	}
	var list []Requirement
	for _, side := range sides {
		for _, n := range s.neighbours() {
			r, err := s.leakageRequirement(core, own, side, n)
			if err != nil {
				return nil, err
			}
			list = append(list, r)
		}
	}
	return list, nil
}

// relativeLeakage returns the relative limit of the band, core value, and its
// source where a lab replaced it.
func (s checked) relativeLeakage() (core float64, own source, err error) {
	row, err := s.relativeRow()
	return row.Core, s.set.coreSource(LeakageRatioClause, row.Name, source{}), err
}

func (s checked) relativeRow() (relativeRow, error) {
	for _, row := range s.set.Requirements.LeakageRatio.Relative {
		if row.Applies.holds(s) {
			return row, nil
		}
	}
	return relativeRow{}, fmt.Errorf("conformance: no relative leakage limit for %s", s.band.Name)
}

// loosenedLeakage returns what is loosened of the relative and of the absolute
// limit: either may be the one that governs.
func (s checked) loosenedLeakage() []Loosening {
	var list []Loosening
	if row, err := s.relativeRow(); err == nil {
		list = s.set.loosenings(LeakageRatioClause, row.Name)
	}
	if row, err := s.absoluteRow(); err == nil {
		list = append(list, s.set.loosenings(LeakageRatioClause, row.figure())...)
	}
	return append(list, s.set.Requirements.LeakageRatio.AbsoluteTolerance.loosenings(place{s.Carrier.Center, s.Carrier})...)
}

// leakageRequirement builds the limit of one neighbour; own is the source of the
// core figure where a lab replaced it.
func (s checked) leakageRequirement(core float64, own source, side Side, n neighbour) (Requirement, error) {
	t := s.set.Requirements.LeakageRatio
	alternative, err := s.absoluteLeakage(n.filter)
	if err != nil {
		return Requirement{}, err
	}
	from := n.source
	if own != (source{}) {
		from = own
	}
	at := s.Carrier.Center + n.offset
	if side == LowerSide {
		at = s.Carrier.Center - n.offset
	}
	r := Requirement{
		Key:                  fmt.Sprintf("%s/%s/%s", LeakageRatioClause, side, n.key),
		Clause:               LeakageRatioClause,
		Title:                fmt.Sprintf("adjacent channel leakage ratio, %s side, %s", side, n.name),
		Quantity:             "adjacent channel leakage ratio",
		Unit:                 "dB",
		Side:                 side,
		Core:                 core,
		CoreTo:               core,
		Scaling:              s.scaling,
		Alternative:          &alternative,
		Loosened:             s.loosenedLeakage(),
		MeasurementBandwidth: n.filter,
		OffsetFrom:           n.offset,
		OffsetTo:             n.offset,
		Frequencies:          rf.Range{Low: at, High: at},
		CoreSource:           from.String(),
	}
	r.setTolerance(t.Tolerance, s.Carrier, from.Provenance)
	r.Lower = figure(core - r.Tolerance)
	return r, nil
}

// widestConfiguration returns the greatest transmission bandwidth
// configuration that the channel bandwidth has in this band.
func (s checked) widestConfiguration() rf.Hertz {
	widest := s.Carrier.Configured()
	for _, scs := range s.band.Spacings() {
		n, err := s.set.resourceBlocks(s.Carrier.Bandwidth, scs)
		if err == nil {
			widest = max(widest, 12*scs*rf.Hertz(n))
		}
	}
	return widest
}

// absoluteLeakage returns the absolute limit over the filter of the neighbour.
func (s checked) absoluteLeakage(filter rf.Hertz) (Alternative, error) {
	row, err := s.absoluteRow()
	if err != nil {
		return Alternative{}, err
	}
	t := s.set.Requirements.LeakageRatio
	a := Alternative{
		PerMHz:    row.PerMHz + s.scaling,
		Core:      row.PerMHz + s.scaling + 10*math.Log10(float64(filter/rf.Megahertz)),
		Bandwidth: filter,
		Source:    s.set.coreSource(LeakageRatioClause, row.figure(), t.Absolute.Source).String(),
	}
	a.Tolerance, _, _ = t.AbsoluteTolerance.at(s.Carrier.Center, s.Carrier)
	return a, nil
}

func (s checked) absoluteRow() (absoluteRow, error) {
	for _, row := range s.set.Requirements.LeakageRatio.Absolute.Rows {
		if row.Class == s.Class && (row.Category == "" || row.Category == s.Category) {
			return row, nil
		}
	}
	return absoluteRow{}, fmt.Errorf("conformance: no absolute leakage limit for class %s, category %s", s.Class, s.Category)
}
