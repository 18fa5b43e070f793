package conformance

import (
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// masksOfConfiguration returns 6.6.4 outside the RF bandwidth edges, each side
// by the mask of its edge carrier, and in every gap, and the additional limits
// of declared options, whose offsets count from those edges.
func (s checked) masksOfConfiguration() ([]Requirement, error) {
	var list []Requirement
	lower, upper := s.lowest(), s.highest()
	for _, part := range []func() ([]Requirement, error){
		func() ([]Requirement, error) { return lower.permitted(lower.maskSegments(LowerSide)) },
		func() ([]Requirement, error) { return upper.permitted(upper.maskSegments(UpperSide)) },
	} {
		more, err := part()
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	for i, gap := range s.Gaps() {
		more, err := s.maskInGap(i+1, gap)
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	more, err := lower.permitted(s.groups(OperatingBandClause))
	return append(list, more...), err
}

// flank is one side of a gap: the carrier there, its mask, and the side of the
// carrier that the gap is on.
type flank struct {
	checked
	mask maskRow
	side Side
}

// maskInGap returns the limits in one gap, rising by frequency. Up to its middle
// the near side gives segments and filters; the limit of the far side, scaled to
// that filter, is added in milliwatts (TS 38.104 6.6.4.2). A segment whose
// filter begins before the middle is measured once at the least, so that no
// frequency is left out where filters grow.
func (s checked) maskInGap(number int, gap Gap) ([]Requirement, error) {
	below := flank{checked: s.of(gap.Below), side: UpperSide}
	above := flank{checked: s.of(gap.Above), side: LowerSide}
	for _, f := range []*flank{&below, &above} {
		var err error
		if f.mask, err = f.checked.mask(); err != nil {
			return nil, err
		}
	}
	list := below.inGap(above, gap)
	rest := above.inGap(below, gap)
	for i := range rest {
		list = append(list, rest[len(rest)-1-i])
	}
	for i := range list {
		list[i].Key = fmt.Sprintf("%s/gap%d/%d", OperatingBandClause, number, i+1)
		list[i].Title = fmt.Sprintf("operating band unwanted emissions in gap %d%s, masks %s and %s", number, s.summed(), below.mask.Name, above.mask.Name)
	}
	return list, nil
}

// inGap returns the segments of this side of a gap, from its edge on.
func (near flank) inGap(far flank, gap Gap) []Requirement {
	width := gap.Width()
	var list []Requirement
	for _, seg := range near.mask.Segments {
		most := width - seg.Filter/2 // f_offset_max in a gap, from memory
		if seg.From-seg.Filter/2 >= width/2 || seg.From > most {
			continue
		}
		to := width / 2
		if seg.To > 0 {
			to = min(to, seg.To)
		}
		to = min(max(to, seg.From), most)
		list = append(list, near.summedWith(far, seg, to, width))
	}
	list, _ = near.permitted(list, nil)
	return list
}

// summedWith builds the limit of one segment of the near side, from its start to
// offset to, with the far side of a gap of the given width added.
func (near flank) summedWith(far flank, seg segment, to, width rf.Hertz) Requirement {
	r := near.maskRequirement(near.mask, seg, near.side, to)
	own := Curve{{seg.From, *r.Upper}, {to, *r.Upper}}
	if r.UpperTo != nil {
		own[1].Level = *r.UpperTo
	}
	core := Curve{{seg.From, r.Core}, {to, r.CoreTo}}
	other, otherCore, parts := far.scaled(seg.Filter, width-to, width-seg.From)
	other, otherCore = other.mirrored(width), otherCore.mirrored(width)
	r.Core = clean(powerSum(core.At(seg.From), otherCore.At(seg.From)))
	r.CoreTo = clean(powerSum(core.At(to), otherCore.At(to)))
	at := func(offset rf.Hertz) rf.Hertz { // offset from the near edge to frequency
		if near.side == LowerSide {
			return near.Carrier.Edges().Low - offset
		}
		return near.Carrier.Edges().High + offset
	}
	r.Sum = []Curve{own.over(at), other.over(at)}
	r.coreSum = []Curve{core.over(at), otherCore.over(at)}
	r.Upper = figure(powerSum(own.At(seg.From), other.At(seg.From)))
	r.UpperTo = figure(powerSum(own.At(to), other.At(to)))
	for _, part := range parts {
		r.Provenance = together(r.Provenance, part.Provenance)
		for _, x := range part.Loosened {
			if !slices.Contains(r.Loosened, x) {
				r.Loosened = append(r.Loosened, x)
			}
		}
	}
	r.Provenance = together(r.Provenance, "memory")
	r.CoreSource += ", sum of both sides of the gap (6.6.4.2)"
	return r
}

// scaled returns the test and core limits of this side, as the far one, over
// offsets from its edge, scaled to another filter, and what they are made of. The offset that chooses the
// segment is that of the filter's near flank, which stays continuous where
// filters grow.
func (far flank) scaled(filter, from, to rf.Hertz) (test, core Curve, parts []Requirement) {
	for _, seg := range far.mask.Segments {
		shift := (filter - seg.Filter) / 2 // offset with this filter, less that with the own one
		end := rf.Hertz(math.Inf(1))
		if seg.To > 0 {
			end = seg.To + shift
			if end < from-edgeSlack {
				continue
			}
		}
		low, high := max(from, seg.From+shift), min(to, end)
		if high < low {
			continue
		}
		r := far.maskRequirement(far.mask, seg, far.side, high-shift)
		scale := 10 * math.Log10(float64(filter/seg.Filter))
		for _, x := range []rf.Hertz{low, high} {
			v := far.level(seg, x-shift) + scale
			core = append(core, CurvePoint{x, v})
			test = append(test, CurvePoint{x, v + r.Tolerance})
		}
		parts = append(parts, r)
	}
	return test, core, parts
}
