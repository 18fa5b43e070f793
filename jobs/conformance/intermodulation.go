package conformance

import (
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// intermodulation returns the limits of 6.7: those of 6.6.3 to 6.6.5, once for
// every position of the interferer. What the interferer occupies is left out
// (from memory). Keys name the interferer and the limit, for example
// "6.7/upper/1/6.6.4/lower/2", and "6.7/gap1/lower/1/6.6.4/gap1/2" with the
// interferer in a sub-block gap, counted from its lower edge.
//
// A position partly or wholly outside the downlink band is left out as well; a
// declaration knows no adjacent downlink band that could keep it. Where no rated
// total power is declared, that of the one carrier stands for it.
func (s checked) intermodulation() ([]Requirement, error) {
	switch {
	case s.Type == Type1H && s.several():
		return nil, fmt.Errorf("conformance: %s of type 1-H also wants the intra-system interferer, which has the bandwidth and the spacing of the channel (TS 38.104 6.7.2); what it is beside several carriers is not known here, ask for one carrier at a time", IntermodulationClause)
	case s.Type == Type1H && s.IntraSystemLevel == nil:
		return nil, fmt.Errorf("conformance: %s of type 1-H also wants the intra-system interferer, whose level the manufacturer declares (TS 38.104 6.7.2); it is not declared", IntermodulationClause)
	}
	base, err := s.besideInterferer()
	if err != nil {
		return nil, err
	}
	var list []Requirement
	for _, i := range s.interferers() {
		for _, r := range base {
			list = append(list, s.withInterferer(r, i)...)
		}
	}
	if s.Type == Type1H {
		list = append(list, s.intraSystem(base)...)
	}
	if list == nil {
		edges := s.edges()
		return nil, fmt.Errorf("conformance: every interferer position of %s beside %s to %s lies outside the downlink band of %s", IntermodulationClause, edges.Low, edges.High, s.band.Name)
	}
	return list, nil
}

// besideInterferer returns the limits that hold while the interferer stands.
func (s checked) besideInterferer() ([]Requirement, error) {
	var list []Requirement
	for _, clause := range []string{LeakageRatioClause, OperatingBandClause, SpuriousEmissionsClause} {
		more, err := s.requirements(clause)
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	return list, nil
}

// placed is one position of the interferer.
type placed struct {
	key, title string
	Interferer
}

// interfererEdge is an edge that interferers stand beside, and the
// frequencies they have to stay in.
type interfererEdge struct {
	key   string
	edges rf.Range // the interferer stands outside of these, on side
	side  Side
	room  rf.Range
}

// interfererEdges returns the edges that offsets of the interferer count from:
// those of the Base Station RF Bandwidth, and those of every sub-block gap,
// inwards. In a gap only positions that lie wholly within it count (TS 38.104
// 6.7.2.1; the rule for gaps is from memory).
func (s checked) interfererEdges(outside rf.Range) []interfererEdge {
	list := []interfererEdge{
		{string(LowerSide), s.edges(), LowerSide, outside},
		{string(UpperSide), s.edges(), UpperSide, outside},
	}
	all := s.All()
	for n, gap := range s.Gaps() {
		name := fmt.Sprintf("gap%d/", n+1)
		list = append(list,
			interfererEdge{name + string(LowerSide), all[gap.Below].Edges(), UpperSide, gap.Range},
			interfererEdge{name + string(UpperSide), all[gap.Above].Edges(), LowerSide, gap.Range})
	}
	return list
}

// interferers returns the positions of the interferer: three beside every edge,
// with the smallest channel bandwidth of the band, and those an option adds. A
// position that both edges of a gap have stands once.
func (s checked) interferers() []placed {
	t := s.set.Requirements.Intermodulation
	regional := s.declares(t.Option)
	widths := s.band.bandwidths[15*rf.Kilohertz][:1:1]
	for _, more := range t.More {
		if regional && slices.Contains(more.Bands, s.band.Name) && more.Bandwidth != widths[0] {
			widths = append(widths, more.Bandwidth)
		}
	}
	outside := s.band.DL
	if regional && slices.Contains(t.Anywhere, s.band.Name) {
		outside = rf.Range{High: rf.Hertz(math.Inf(1))}
	}
	level := s.totalPower().Add(-t.BelowRated)
	var list []placed
	for _, edge := range s.interfererEdges(outside) {
		for w, width := range widths {
			for n, offset := range InterfererOffsets(width) {
				i := Interferer{Center: beside(edge.edges, edge.side, offset, offset).Low, Bandwidth: width, Level: level}
				if !edge.holds(i) || slices.ContainsFunc(list, func(p placed) bool { return p.same(i) }) {
					continue
				}
				list = append(list, placed{
					key:        fmt.Sprintf("%s/%d", edge.key, w*len(InterfererOffsets(0))+n+1),
					title:      fmt.Sprintf("with an interferer of %s, %s MHz wide at %s", i.Level, inMHz(width), i.Center),
					Interferer: i,
				})
			}
		}
	}
	return list
}

// holds reports whether an interferer lies wholly within the room at an edge.
func (e interfererEdge) holds(i Interferer) bool {
	return rf.Range{Low: e.room.Low - edgeSlack, High: e.room.High + edgeSlack}.Covers(i.occupied())
}

// same reports whether two interferers are one: offsets carry binary dust.
func (i Interferer) same(other Interferer) bool {
	return i.Bandwidth == other.Bandwidth && math.Abs(float64(i.Center-other.Center)) < float64(edgeSlack)
}

func (i Interferer) occupied() rf.Range {
	return rf.Range{Low: i.Center - i.Bandwidth/2, High: i.Center + i.Bandwidth/2}
}

// withInterferer returns the parts of a limit that stand clear of the
// interferer, each under a key of its own.
func (s checked) withInterferer(r Requirement, i placed) []Requirement {
	r.Key = fmt.Sprintf("%s/%s/%s", IntermodulationClause, i.key, r.Key)
	r.Clause = IntermodulationClause
	r.Title += ", " + i.title
	r.CoreSource += "; " + s.set.Requirements.Intermodulation.Source.String()
	r.Provenance = together(r.Provenance, "memory") // that its own place is left out
	r.Interferer = &i.Interferer
	half := r.MeasurementBandwidth / 2
	hole := i.occupied()
	if r.Frequencies.Width() == 0 {
		at := r.Frequencies.Low
		if overlap(rf.Range{Low: at - half, High: at + half}, hole) {
			return nil
		}
		return []Requirement{r}
	}
	parts := beyond(r.Frequencies, hole, half)
	if len(parts) == 1 && parts[0] == r.Frequencies {
		return []Requirement{r}
	}
	var list []Requirement
	for n, part := range parts {
		one := r.within(part)
		one.Key += fmt.Sprintf(".%d", n+1)
		list = append(list, one)
	}
	return list
}

// intraSystem returns the limits of 6.6.3 and 6.6.4 with the interferer on the
// channel itself, as it leaks from other transmitters of the same array.
func (s checked) intraSystem(base []Requirement) []Requirement {
	i := Interferer{Center: s.Carrier.Center, Bandwidth: s.Carrier.Bandwidth, Level: *s.IntraSystemLevel}
	var list []Requirement
	for _, r := range base {
		if r.Clause == SpuriousEmissionsClause {
			continue
		}
		r.Key = fmt.Sprintf("%s/intra-system/%s", IntermodulationClause, r.Key)
		r.Clause = IntermodulationClause
		r.Title += fmt.Sprintf(", with the intra-system interferer of %s on the channel", i.Level)
		r.CoreSource += "; " + s.set.Requirements.Intermodulation.Source.String()
		r.Interferer = &i
		list = append(list, r)
	}
	return list
}
