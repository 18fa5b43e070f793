package conformance

import (
	"fmt"
	"math"
	"strings"

	"benchyard/instruments/rf"
)

// maskSegments returns the segments of the mask on the given sides of the carrier,
// from the channel edge out to delta f_OBUE beyond the downlink band. A segment
// that starts at or beyond f_offset_max does not apply and is left out, which
// is the rule "not applicable when delta f_max is below 10 MHz" of the tables:
// every such segment starts half its filter beyond that offset.
func (s checked) maskSegments(sides ...Side) ([]Requirement, error) {
	mask, err := s.mask()
	if err != nil {
		return nil, err
	}
	var list []Requirement
	for _, side := range sides {
		reach := s.reach(side)
		for i, seg := range mask.Segments {
			to := reach
			if seg.To > 0 {
				to = min(reach, seg.To)
			}
			if seg.From >= to {
				continue
			}
			r := s.maskRequirement(mask, seg, side, to)
			r.Key = fmt.Sprintf("%s/%s/%d", OperatingBandClause, side, i+1)
			list = append(list, r)
		}
	}
	return list, nil
}

// reach returns f_offset_max (6.6.4.1): from the channel edge to delta f_OBUE
// outside the downlink band.
func (s checked) reach(side Side) rf.Hertz {
	edges := s.Carrier.Edges()
	if side == LowerSide {
		return edges.Low - (s.band.DL.Low - s.delta)
	}
	return s.band.DL.High + s.delta - edges.High
}

// mask returns the one mask that the declaration and the carrier select.
func (s checked) mask() (maskRow, error) {
	for _, m := range s.set.Masks.Masks {
		if m.selects(s) {
			return m, nil
		}
	}
	listed := "no mask of this class"
	if words := s.masksOfClass(); len(words) > 0 {
		listed = "listed for this carrier: " + strings.Join(words, ", ")
	}
	wanted := "category " + s.Category
	if s.option() > 0 {
		wanted += fmt.Sprintf(" option %d", s.option())
	}
	return maskRow{}, fmt.Errorf("conformance: TS 38.104 6.6.4.2 has no %s mask of %s for %s, type %s; %s", s.Class, wanted, s.band.Name, s.Type, listed)
}

// masksOfClass names the categories that have a mask for this carrier.
func (s checked) masksOfClass() []string {
	var words []string
	for _, m := range s.set.Masks.Masks {
		if m.Class != s.Class || !m.holds(s) {
			continue
		}
		w := "category " + m.Category
		if m.Option > 0 {
			w += fmt.Sprintf(" option %d", m.Option)
		}
		words = append(words, w)
	}
	return words
}

// selects reports whether this is the mask of the declaration and the carrier.
func (m maskRow) selects(s checked) bool {
	return m.Class == s.Class &&
		(m.Category == "" || m.Category == s.Category) &&
		(m.Option == 0 || m.Option == s.option()) &&
		m.holds(s)
}

// holds reports whether the mask is for this carrier and type.
func (m maskRow) holds(s checked) bool {
	for _, a := range m.Applies {
		if a.holds(s) {
			return true
		}
	}
	return false
}

// maskRequirement builds the limit of one segment that ends at f_offset to.
func (s checked) maskRequirement(m maskRow, seg segment, side Side, to rf.Hertz) Requirement {
	r := Requirement{
		Clause:               OperatingBandClause,
		Title:                fmt.Sprintf("operating band unwanted emissions, %s side%s, mask %s", side, s.summed(), m.Name),
		Quantity:             unwantedEmission,
		Unit:                 "dBm",
		Side:                 side,
		Core:                 s.level(seg, seg.From),
		CoreTo:               s.level(seg, to),
		Scaling:              s.operatingBandScaling(),
		MeasurementBandwidth: seg.Filter,
		OffsetFrom:           seg.From,
		OffsetTo:             to,
		Frequencies:          s.Carrier.beside(side, seg.From, to),
		CoreSource:           s.set.Masks.Source.Version + " " + m.Clause,
	}
	if t, ok := s.set.Requirements.OperatingBand[seg.Tolerance]; ok {
		r.setTolerance(*t, s.Carrier, seg.Provenance)
	} else {
		r.withoutTolerance("test tolerance of this mask "+seg.Tolerance+": core value in force", seg.Provenance)
	}
	if r.ToleranceKnown {
		r.ToleranceSource += " (test clause " + m.TestClause + ")"
	}
	r.Upper = figure(r.Core + r.Tolerance)
	if seg.CoreTo != nil {
		r.UpperTo = figure(r.CoreTo + r.Tolerance)
	}
	return r
}

// level returns the limit of the segment at an offset, in dBm.
func (s checked) level(seg segment, offset rf.Hertz) float64 {
	v := seg.Core
	if seg.CoreTo != nil {
		v += (*seg.CoreTo - seg.Core) * float64((offset-seg.From)/(seg.To-seg.From))
	}
	if seg.Relative {
		v += float64(s.RatedPower)
	}
	if seg.Cap != nil {
		v = math.Min(v, *seg.Cap)
	}
	return clean(v + s.scaling)
}

// beside returns the frequencies at offsets from..to outside a channel edge.
func (c Carrier) beside(side Side, from, to rf.Hertz) rf.Range {
	return beside(c.Edges(), side, from, to)
}

// beside returns the frequencies at offsets from..to outside edges.
func beside(edges rf.Range, side Side, from, to rf.Hertz) rf.Range {
	if side == LowerSide {
		return rf.Range{Low: edges.Low - to, High: edges.Low - from}
	}
	return rf.Range{Low: edges.High + from, High: edges.High + to}
}
