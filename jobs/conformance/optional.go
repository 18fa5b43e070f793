package conformance

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

// topOfMegahertz is where the general limits begin to be measured in 1 MHz
// (TS 38.104 6.6.5.2.1): the lower end of an open range with that filter.
const topOfMegahertz = rf.Gigahertz

// operatingBand returns the mask of 6.6.4 and the additional limits of the
// declared options.
func (s checked) operatingBand() ([]Requirement, error) {
	list, err := s.maskSegments(LowerSide, UpperSide)
	if err != nil {
		return nil, err
	}
	more, err := s.groups(OperatingBandClause)
	return append(list, more...), err
}

// spurious returns the general limits of 6.6.5 and those of declared options:
// protection, co-existence, co-location and additional limits.
func (s checked) spurious() ([]Requirement, error) {
	list := append(s.generalSpurious(), s.protection()...)
	for _, option := range s.options {
		if system, ok := strings.CutPrefix(option, coexistenceWith); ok {
			list = append(list, s.coexistence(option, system)...)
		}
		if system, ok := strings.CutPrefix(option, colocationWith); ok {
			list = append(list, s.colocation(option, system)...)
		}
	}
	more, err := s.groups(SpuriousEmissionsClause)
	return append(list, more...), err
}

// operatingBandScaling is the Scaling of 6.6.4: that of type 1-H, or for n41
// and n90 in Japan the count of connectors whose sum is limited (6.6.4.2.5).
func (s checked) operatingBandScaling() float64 {
	if s.Type == Type1C && s.declares(japanOption) && (s.band.Name == "n41" || s.band.Name == "n90") {
		return 10 * math.Log10(float64(max(1, s.TransmitUnits)))
	}
	return s.scaling
}

// emission is what the limits of options have in common.
type emission struct {
	clause, key, title string
	limit              float64 // basic limit, dBm
	filter             rf.Hertz
	span               rf.Range
	source             source
	tolerance          tolerance
}

// emission builds the limit over one range.
func (s checked) emission(e emission) Requirement {
	quantity, scaling := spuriousEmission, s.scaling
	if e.clause == OperatingBandClause {
		quantity, scaling = unwantedEmission, s.operatingBandScaling()
	}
	core := clean(e.limit + s.scaling)
	r := Requirement{
		Key:                  e.clause + "/" + e.key,
		Clause:               e.clause,
		Title:                e.title + s.summed(),
		Quantity:             quantity,
		Unit:                 "dBm",
		Core:                 core,
		CoreTo:               core,
		Scaling:              scaling,
		MeasurementBandwidth: e.filter,
		Frequencies:          e.span,
		CoreSource:           e.source.String(),
	}
	r.setToleranceAt(e.span.High, e.tolerance, s.Carrier, e.source.Provenance)
	r.Upper = figure(core + r.Tolerance)
	return r
}

// protection returns the limit in the uplink of the own, paired band
// (6.6.5.2.2); the standard has it for FDD only.
func (s checked) protection() []Requirement {
	if !s.declares(protectionOption) || s.band.Duplex != "FDD" {
		return nil
	}
	t := s.set.Options.Protection
	limit := t.Limits.of(s.Class)
	if limit == nil {
		return nil
	}
	return []Requirement{s.emission(emission{
		clause: SpuriousEmissionsClause, key: protectionOption + "/1",
		title: fmt.Sprintf("protection of the receiver of the own or another base station, %s to %s", s.band.UL.Low, s.band.UL.High),
		limit: *limit, filter: t.Filter, span: s.band.UL, source: t.Source, tolerance: t.Tolerance,
	})}
}

// coexistence returns the limits in the downlink and the uplink of another
// system in the same area (6.6.5.2.3). Neither applies where it overlaps the same
// range of the own band.
func (s checked) coexistence(option, name string) []Requirement {
	t := s.set.Options.Coexistence
	system := otherSystem{Name: name, Title: name, DownlinkLimit: t.Downlink.Limit, UplinkLimit: t.Uplink.Limit}
	down, up := t.Downlink.Filter, t.Uplink.Filter
	if i := slices.IndexFunc(t.Systems, func(o otherSystem) bool { return o.Name == name }); i >= 0 {
		system = t.Systems[i]
		down, up = system.Filter, system.Filter
	} else if row, ok := s.set.band(name); ok {
		system.Downlink, system.Uplink = row.Spectrum.Downlink, row.Spectrum.Uplink
	}
	if system.Uplink == system.Downlink || overlap(system.Uplink, s.band.UL) {
		system.Uplink = rf.Range{} // TDD has one range, with the limit of the downlink
	}
	if overlap(system.Downlink, s.band.DL) {
		system.Downlink = rf.Range{}
	}
	hole := s.coexistenceHole(name)
	var list []Requirement
	for _, part := range []struct {
		title  string
		span   rf.Range
		limit  float64
		filter rf.Hertz
	}{
		{"downlink", system.Downlink, system.DownlinkLimit, down},
		{"uplink", system.Uplink, system.UplinkLimit, up},
	} {
		for _, span := range beyond(part.span, hole, part.filter/2) {
			list = append(list, s.emission(emission{
				clause: SpuriousEmissionsClause, key: fmt.Sprintf("%s/%d", option, len(list)+1),
				title: fmt.Sprintf("co-existence with %s, %s %s to %s", system.Title, part.title, part.span.Low, part.span.High),
				limit: part.limit, filter: part.filter, span: span, source: t.Source, tolerance: t.Tolerance,
			}))
		}
	}
	return list
}

// coexistenceHole returns the own downlink band with what is left out beside it.
func (s checked) coexistenceHole(other string) rf.Range {
	below, above := s.delta, s.delta
	for _, row := range s.set.Options.Coexistence.Nearer {
		if !slices.Contains(row.Bands, s.band.Name) || len(row.With) > 0 && !slices.Contains(row.With, other) {
			continue
		}
		if row.Below > 0 {
			below = row.Below
		}
		if row.Above > 0 {
			above = row.Above
		}
	}
	return rf.Range{Low: s.band.DL.Low - below, High: s.band.DL.High + above}
}

// colocation returns the limit in the uplink of a system on the same site, 30 dB
// away (6.6.5.2.4); none where the table has no figure for the class. That
// delta f_OBUE is left out is from memory, and a limit that is cut says so.
func (s checked) colocation(option, name string) []Requirement {
	t := s.set.Options.Colocation
	title, span, limits := name, rf.Range{}, classLimits{}
	if i := slices.IndexFunc(t.Systems, func(o otherSystem) bool { return o.Name == name }); i >= 0 {
		title, span, limits = t.Systems[i].Title, t.Systems[i].Uplink, t.Systems[i].Limits
	} else if row, ok := s.set.band(name); ok {
		span = row.Spectrum.Uplink
		i := slices.IndexFunc(t.Bands, func(b colocatedBands) bool { return len(b.Bands) == 0 || slices.Contains(b.Bands, name) })
		limits = t.Bands[i].Limits // the last row holds for every band
	}
	limit := limits.of(s.Class)
	if limit == nil {
		return nil
	}
	hole := rf.Range{Low: s.band.DL.Low - s.delta, High: s.band.DL.High + s.delta}
	var list []Requirement
	for _, part := range beyond(span, hole, t.Filter/2) {
		from := t.Source
		if part != span {
			from.Provenance = together(from.Provenance, "memory")
		}
		list = append(list, s.emission(emission{
			clause: SpuriousEmissionsClause, key: fmt.Sprintf("%s/%d", option, len(list)+1),
			title: fmt.Sprintf("co-location with %s, uplink %s to %s", title, span.Low, span.High),
			limit: *limit, filter: t.Filter, span: part, source: from, tolerance: t.Tolerance,
		}))
	}
	return list
}

// groups returns the additional limits of a clause under the declared options,
// and a lab's own. A group whose figures the standard leaves open is refused
// with that reason, unless the lab has supplied some under the same word.
func (s checked) groups(clause string) ([]Requirement, error) {
	all := s.set.Options.Groups
	var list []Requirement
	count := map[string]int{}
	for _, g := range all {
		if g.Clause != clause || !s.belongs(g) {
			continue
		}
		if g.Refused != "" {
			if slices.ContainsFunc(all, func(o optionGroup) bool { return o.Lab && o.Option == g.Name && s.belongs(o) }) {
				continue
			}
			return nil, fmt.Errorf("conformance: option %s in %s: %s (%s); lay a file with the limits over the set, under the same option", g.Name, s.band.Name, g.Refused, g.Source)
		}
		for _, row := range g.Rows {
			for _, r := range s.groupRequirements(g, row) {
				count[g.Name]++
				r.Key = fmt.Sprintf("%s/%s/%d", clause, g.Name, count[g.Name])
				list = append(list, r)
			}
		}
	}
	return list, nil
}

// belongs reports whether a group holds for the declaration and the carrier.
func (s checked) belongs(g optionGroup) bool {
	applies := scope{Bands: g.Bands, BandwidthAbove: g.BandwidthAbove, BandwidthUpTo: g.BandwidthUpTo}
	word := g.Name
	if g.Lab {
		word = g.Option
	}
	return (word == "" || s.declares(word)) && applies.holds(s) &&
		(g.Carriers == rf.Range{} || g.Carriers.Covers(s.edges())) &&
		(len(g.Classes) == 0 || slices.Contains(g.Classes, s.Class))
}

// groupRequirements returns the limit of one row: the filter stands inside the
// range, and as far outside the channel as the row asks.
func (s checked) groupRequirements(g optionGroup, row optionRow) []Requirement {
	e := emission{clause: g.Clause, key: g.Name, title: g.Title, limit: row.Limit, filter: row.Filter, source: g.Source, tolerance: s.set.Options.Tolerance}
	if g.Tolerance != nil {
		e.tolerance = *g.Tolerance
	}
	if row.Beside {
		return s.besideRequirements(e, row)
	}
	half := row.Filter / 2
	e.span = rf.Range{Low: row.From + half, High: row.To - half}
	if row.From == 0 {
		e.span.Low = topOfMegahertz
	}
	if row.To == 0 {
		e.span.High = s.band.SpuriousUpper
	}
	spans := []rf.Range{e.span}
	if row.Clear > 0 {
		edges := s.edges()
		spans = beyond(e.span, rf.Range{Low: edges.Low - row.Clear, High: edges.High + row.Clear}, half)
	}
	var list []Requirement
	for _, e.span = range spans {
		list = append(list, s.emission(e))
	}
	return list
}

// besideRequirements returns a limit that goes by the offset from the channel
// edge, on both sides.
func (s checked) besideRequirements(e emission, row optionRow) []Requirement {
	var list []Requirement
	for _, side := range []Side{LowerSide, UpperSide} {
		one := e
		one.span = beside(s.edges(), side, row.From, row.To)
		one.title += ", " + string(side) + " side"
		r := s.emission(one)
		r.Side, r.OffsetFrom, r.OffsetTo = side, row.From, row.To
		list = append(list, r)
	}
	return list
}

// band returns the row of a band.
func (l *limitSet) band(name string) (bandRow, bool) {
	i := slices.IndexFunc(l.Bands.Bands, func(b bandRow) bool { return b.Name == name })
	if i < 0 {
		return bandRow{}, false
	}
	return l.Bands.Bands[i], true
}

// beyond returns the parts of a range that stand clear of a hole by half a
// filter; a range without width is dropped where the hole touches it.
func beyond(r, hole rf.Range, half rf.Hertz) []rf.Range {
	if r == (rf.Range{}) {
		return nil
	}
	return without(r, rf.Range{Low: hole.Low - half, High: hole.High + half})
}

func overlap(a, b rf.Range) bool {
	return a != (rf.Range{}) && b != (rf.Range{}) && a.Low < b.High && b.Low < a.High
}
