package conformance

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// leakageRatio returns the four limits of 6.6.3: first and second adjacent
// channel, below and above the carrier. The assumed neighbour has the same
// channel bandwidth and the spacing that fills most of it (T6.6.3.2-1).
func (s checked) leakageRatio() ([]Requirement, error) {
	t := limits().Requirements.LeakageRatio
	core, found := 0.0, false
	for _, row := range t.Relative {
		if row.Applies.holds(s) {
			core, found = row.Core, true
			break
		}
	}
	if !found {
		return nil, fmt.Errorf("conformance: no relative leakage limit for %s", s.band.Name)
	}
	filter := s.widestConfiguration()
	alternative, err := s.absoluteLeakage(filter)
	if err != nil {
		return nil, err
	}
	var list []Requirement
	for _, side := range []Side{LowerSide, UpperSide} {
		for n := 1; n <= 2; n++ {
			offset := s.Carrier.Bandwidth * rf.Hertz(n)
			at := s.Carrier.Center + offset
			if side == LowerSide {
				at = s.Carrier.Center - offset
			}
			r := Requirement{
				Key:                  fmt.Sprintf("%s/%s/%d", LeakageRatioClause, side, n),
				Clause:               LeakageRatioClause,
				Title:                fmt.Sprintf("adjacent channel leakage ratio, %s side, channel %d", side, n),
				Quantity:             "adjacent channel leakage ratio",
				Unit:                 "dB",
				Side:                 side,
				Core:                 core,
				CoreTo:               core,
				Scaling:              s.scaling,
				MeasurementBandwidth: filter,
				OffsetFrom:           offset,
				OffsetTo:             offset,
				Frequencies:          rf.Range{Low: at, High: at},
				CoreSource:           t.Source.String(),
			}
			r.setTolerance(t.Tolerance, s.Carrier, t.Source.Provenance)
			r.Lower = figure(core - r.Tolerance)
			beside := alternative
			r.Alternative = &beside
			list = append(list, r)
		}
	}
	return list, nil
}

// widestConfiguration returns the greatest transmission bandwidth
// configuration that the channel bandwidth has in this band.
func (s checked) widestConfiguration() rf.Hertz {
	widest := s.Carrier.Configured()
	for _, scs := range s.band.Spacings() {
		n, err := ResourceBlocks(s.Carrier.Bandwidth, scs)
		if err == nil {
			widest = max(widest, 12*scs*rf.Hertz(n))
		}
	}
	return widest
}

// absoluteLeakage returns the absolute limit over the filter of the neighbour.
func (s checked) absoluteLeakage(filter rf.Hertz) (Alternative, error) {
	t := limits().Requirements.LeakageRatio
	for _, row := range t.Absolute.Rows {
		if row.Class != s.Class || row.Category != "" && row.Category != s.Category {
			continue
		}
		a := Alternative{
			PerMHz:    row.PerMHz + s.scaling,
			Core:      row.PerMHz + s.scaling + 10*math.Log10(float64(filter/rf.Megahertz)),
			Bandwidth: filter,
			Source:    t.Absolute.Source.String(),
		}
		a.Tolerance, _ = t.AbsoluteTolerance.at(s.Carrier.Center, s.Carrier.Bandwidth)
		return a, nil
	}
	return Alternative{}, fmt.Errorf("conformance: no absolute leakage limit for class %s, category %s", s.Class, s.Category)
}
