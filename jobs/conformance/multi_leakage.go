package conformance

import (
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// gapRow is one assumed carrier in a sub-block gap (TS 38.104 T6.6.3.2-2a and
// T6.6.3.2-3): where its centre stands, and from which width of the gap on
// leakage of the own carrier, or cumulative leakage of both, is limited there.
type gapRow struct {
	OwnAbove rf.Hertz `yaml:"own_above"` // bandwidth of the carrier at the edge, excluded
	OwnUpTo  rf.Hertz `yaml:"own_up_to"` // included
	Offset   rf.Hertz // gap edge to centre
	Adjacent rf.Hertz // channel bandwidth of the assumed NR carrier
	Small    gapWidths
	Large    gapWidths
}

// gapWidths are the widths of a gap, by the carrier at its other edge.
type gapWidths struct {
	From rf.Hertz // cumulative leakage from here, included unless After
	// After excludes From itself, as the table has it for some rows.
	After bool
	Alone rf.Hertz // leakage of the own carrier alone from here, included
}

// gapTable is the part of the limit set about gaps.
type gapTable struct {
	Source     source
	Cumulative source
	// LargeAbove divides carriers at the other edge: wider ones are large.
	LargeAbove rf.Hertz `yaml:"large_above"`
	Spacing    rf.Hertz // subcarrier spacing of the assumed carrier
	Rows       []gapRow
}

func (l *limitSet) validateGaps() error {
	t := l.Requirements.LeakageRatio.Gaps
	problems := []error{t.Source.validate("leakage in gaps"), t.Cumulative.validate("cumulative leakage in gaps")}
	for _, row := range t.Rows {
		if _, err := l.resourceBlocks(row.Adjacent, t.Spacing); err != nil {
			problems = append(problems, fmt.Errorf("leakage in gaps: %w", err))
		}
		for _, w := range []gapWidths{row.Small, row.Large} {
			if !(w.From > 0) || w.Alone <= w.From || row.Offset-row.Adjacent/2 < 0 || w.From < row.Offset+row.Adjacent/2 {
				problems = append(problems, fmt.Errorf("leakage in gaps: widths from %s and %s with an assumed carrier at %s make no sense", w.From, w.Alone, row.Offset))
			}
		}
	}
	if len(t.Rows) == 0 || t.LargeAbove <= 0 {
		problems = append(problems, errors.New("leakage in gaps: no rows or no class of wide carriers"))
	}
	return errors.Join(problems...)
}

// applies says what is limited in a gap of width w: nothing, cumulative leakage
// of both carriers, or leakage of the own one.
func (g gapWidths) applies(w rf.Hertz) (any, cumulative bool) {
	w += edgeSlack / 2 // sums of channel edges carry binary dust
	switch {
	case w >= g.Alone:
		return true, false
	case w < g.From || g.After && w <= g.From+edgeSlack:
		return false, false
	}
	return true, true
}

// leakageOfConfiguration returns 6.6.3 below the lowest carrier, above the
// highest and in every gap.
func (s checked) leakageOfConfiguration() ([]Requirement, error) {
	var list []Requirement
	for _, edge := range []struct {
		one  checked
		side Side
	}{{s.lowest(), LowerSide}, {s.highest(), UpperSide}} {
		more, err := edge.one.permitted(edge.one.leakageRatio(edge.side))
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	for i, gap := range s.Gaps() {
		for _, from := range []Side{LowerSide, UpperSide} {
			more, err := s.leakageInGap(i+1, gap, from)
			if err != nil {
				return nil, err
			}
			list = append(list, more...)
		}
	}
	return list, nil
}

// leakageInGap returns the limits counted from one edge of a gap, of the carrier
// that stands there.
func (s checked) leakageInGap(number int, gap Gap, from Side) ([]Requirement, error) {
	t := s.set.Requirements.LeakageRatio.Gaps
	own, other := s.of(gap.Below), s.of(gap.Above)
	if from == UpperSide {
		own, other = other, own
	}
	core, laid, err := own.relativeLeakage()
	if err != nil {
		return nil, err
	}
	var list []Requirement
	for _, row := range t.Rows {
		if own.Carrier.Bandwidth <= row.OwnAbove || own.Carrier.Bandwidth > row.OwnUpTo {
			continue
		}
		widths := row.Small
		if other.Carrier.Bandwidth > t.LargeAbove {
			widths = row.Large
		}
		any, cumulative := widths.applies(gap.Width())
		if !any {
			continue
		}
		r, err := s.gapLeakage(core, laid, row, own, from, gap)
		if err != nil {
			return nil, err
		}
		r.Key = fmt.Sprintf("%s/gap%d/%s/%d", LeakageRatioClause, number, from, len(list)+1)
		if r.Title = fmt.Sprintf("adjacent channel leakage ratio in gap %d, %s from its %s edge", number, row.Offset, from); cumulative {
			r.Title = "cumulative " + r.Title
			if laid == (source{}) {
				r.CoreSource = t.Cumulative.String()
			}
			r.Against = append(r.Against, other.Carrier.configuration())
		}
		list = append(list, r)
	}
	return own.permitted(list, nil)
}

// gapLeakage builds the limit of one assumed carrier at an edge of a gap.
func (s checked) gapLeakage(core float64, laid source, row gapRow, own checked, from Side, gap Gap) (Requirement, error) {
	t := s.set.Requirements.LeakageRatio.Gaps
	blocks, err := s.set.resourceBlocks(row.Adjacent, t.Spacing)
	if err != nil {
		return Requirement{}, fmt.Errorf("conformance: %w", err)
	}
	beside, centre := UpperSide, gap.Low+row.Offset
	if from == UpperSide {
		beside, centre = LowerSide, gap.High-row.Offset
	}
	filter := 12 * t.Spacing * rf.Hertz(blocks)
	offset := rf.Hertz(math.Abs(float64(centre - own.Carrier.Center)))
	r, err := own.leakageRequirement(core, laid, beside, neighbour{offset: offset, filter: filter, source: t.Source})
	if err != nil {
		return Requirement{}, err
	}
	r.Against = []rf.Range{own.Carrier.configuration()}
	return r, nil
}

// configuration returns the transmission bandwidth configuration about the
// centre: the square filter a carrier is measured through.
func (c Carrier) configuration() rf.Range {
	return rf.Range{Low: c.Center - c.Configured()/2, High: c.Center + c.Configured()/2}
}
