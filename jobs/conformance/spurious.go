package conformance

import (
	"fmt"

	"benchyard/instruments/rf"
)

// generalSpurious returns the general spurious emission limits (6.6.5.2.1) from 9 kHz
// to the upper spurious limit of the band. The downlink band with delta f_OBUE
// on both sides is cut out: next to it the filter stands wholly outside, so its
// centre keeps half the measurement bandwidth away. The other ends are those of
// the table. A range that is cut in two gives two limits; keys count upward in
// frequency.
func (s checked) generalSpurious() []Requirement {
	t := s.set.Requirements.Spurious
	excluded := rf.Range{Low: s.band.DL.Low - s.delta, High: s.band.DL.High + s.delta}
	var list []Requirement
	for _, row := range t.Rows {
		whole := rf.Range{Low: row.From, High: row.To}
		if row.To == 0 {
			whole.High = s.band.SpuriousUpper
		}
		half := row.Filter / 2
		hole := rf.Range{Low: excluded.Low - half, High: excluded.High + half}
		for _, span := range without(whole, hole) {
			list = append(list, s.spuriousRequirement(row, span, len(list)+1))
		}
	}
	return list
}

func (s checked) spuriousRequirement(row spuriousRow, span rf.Range, number int) Requirement {
	t := s.set.Requirements.Spurious
	limit := row.CategoryA
	if s.Category == "B" {
		limit = row.CategoryB
	}
	core := clean(limit + s.scaling)
	r := Requirement{
		Key:                  fmt.Sprintf("%s/%d", SpuriousEmissionsClause, number),
		Clause:               SpuriousEmissionsClause,
		Title:                fmt.Sprintf("spurious emissions, %s to %s, category %s%s", span.Low, span.High, s.Category, s.summed()),
		Quantity:             spuriousEmission,
		Unit:                 "dBm",
		Core:                 core,
		CoreTo:               core,
		Scaling:              s.scaling,
		MeasurementBandwidth: row.Filter,
		Frequencies:          span,
		CoreSource:           t.Source.String(),
	}
	// The tolerance goes by the frequency of the emission, not of the carrier.
	r.setToleranceAt(span.High, t.Tolerance, s.Carrier, t.Source.Provenance)
	r.Upper = figure(core + r.Tolerance)
	return r
}

// without returns what is left of a range when hole is taken out; pieces of no
// width are dropped.
func without(r, hole rf.Range) []rf.Range {
	pieces := []rf.Range{
		{Low: r.Low, High: min(r.High, hole.Low)},
		{Low: max(r.Low, hole.High), High: r.High},
	}
	if hole.High <= r.Low || hole.Low >= r.High {
		pieces = []rf.Range{r}
	}
	var left []rf.Range
	for _, p := range pieces {
		if p.Low < p.High {
			left = append(left, p)
		}
	}
	return left
}
