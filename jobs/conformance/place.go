package conformance

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// Place returns the bottom, middle or top carrier of a band. B is the first
// raster point with the channel inside the downlink band, T the last, M the
// raster point nearest the middle of the band (of two equally near, the lower).
// The rule for M is ours; TS 38.141-1 4.9.1 leaves it to the tester (from
// memory). A band that holds no such carrier is refused with the reason, an
// impossible bandwidth or spacing with the list of possible ones.
//
// Where a band has two rasters, the larger applies to carriers whose spacing is
// not below it (TS 38.104 5.4.2.3); the spacing of the synchronisation block is
// taken to equal it.
func (l *Set) Place(band string, ch RFChannel, bw, scs rf.Hertz) (Carrier, error) {
	ch, err := ParseRFChannel(string(ch))
	if err != nil {
		return Carrier{}, err
	}
	b, err := l.carrierBand(band, bw, scs)
	if err != nil {
		return Carrier{}, err
	}
	points, err := b.raster(scs).inside(l.tables, b, bw)
	if err != nil {
		return Carrier{}, err
	}
	nref := points.first()
	switch ch {
	case Middle:
		nref = points.nearest((b.DL.Low + b.DL.High) / 2)
	case Top:
		nref = points.last()
	}
	return l.carrier(b, ch, nref, bw, scs)
}

// PlaceAt returns the carrier at one raster point of a band. An N_REF off the
// raster, or so near a band edge that the channel would leave the downlink
// band, is an error that names the nearest allowed numbers.
func (l *Set) PlaceAt(band string, nref int, bw, scs rf.Hertz) (Carrier, error) {
	b, err := l.carrierBand(band, bw, scs)
	if err != nil {
		return Carrier{}, err
	}
	points, err := b.raster(scs).inside(l.tables, b, bw)
	if err != nil {
		return Carrier{}, err
	}
	if !points.contains(nref) {
		return Carrier{}, fmt.Errorf("conformance: N_REF %d is no place for a %s MHz carrier in %s; the raster runs from %d to %d in steps of %d",
			nref, inMHz(bw), b.Name, points.first(), points.last(), b.raster(scs).Every)
	}
	return l.carrier(b, "", nref, bw, scs)
}

// carrierBand returns the band if it may hold a carrier of this shape.
func (l *Set) carrierBand(name string, bw, scs rf.Hertz) (Band, error) {
	b, err := l.Band(name)
	if err != nil {
		return Band{}, err
	}
	if b.Refused != "" {
		return Band{}, fmt.Errorf("conformance: no carrier in %s: %s", b.Name, b.Refused)
	}
	if !slices.Contains(b.bandwidths[scs], bw) {
		return Band{}, fmt.Errorf("conformance: %s has no %s MHz channel at %g kHz subcarrier spacing; possible are %s",
			b.Name, inMHz(bw), float64(scs/rf.Kilohertz), b.possible())
	}
	return b, nil
}

func (l *Set) carrier(b Band, ch RFChannel, nref int, bw, scs rf.Hertz) (Carrier, error) {
	center, err := l.tables.frequency(nref)
	if err != nil {
		return Carrier{}, err
	}
	n, err := l.tables.resourceBlocks(bw, scs)
	if err != nil {
		return Carrier{}, err
	}
	return Carrier{Band: b.Name, Channel: ch, NREF: nref, Center: center, Bandwidth: bw, SCS: scs, ResourceBlocks: n}, nil
}

// raster returns the raster for a spacing: the largest that is not above it,
// or the only one of the band.
func (b Band) raster(scs rf.Hertz) Raster {
	best := b.Rasters[0]
	for _, r := range b.Rasters[1:] {
		if r.Spacing <= scs && r.Spacing > best.Spacing {
			best = r
		}
	}
	return best
}

// points are the raster points at which a channel lies inside its band: N_REF
// of raster.First + k*Every for k from low to high, or the list.
type points struct {
	raster     Raster
	base, step rf.Hertz // frequency of k = 0, and between neighbours
	low, high  int
	list       []int
}

// inside returns the raster points at which a channel of bandwidth bw stays
// inside the downlink band.
func (r Raster) inside(l *limitSet, b Band, bw rf.Hertz) (points, error) {
	base, err := l.frequency(r.First)
	if err != nil {
		return points{}, err
	}
	next, err := l.frequency(r.First + r.Every)
	if err != nil {
		return points{}, err
	}
	p := points{raster: r, base: base, step: next - base}
	p.low = max(0, int(math.Ceil(p.position(b.DL.Low+bw/2))))
	p.high = min((r.Last-r.First)/r.Every, int(math.Floor(p.position(b.DL.High-bw/2))))
	for _, n := range r.Only {
		if k := (n - r.First) / r.Every; k >= p.low && k <= p.high {
			p.list = append(p.list, n)
		}
	}
	if p.low > p.high || (r.Only != nil && p.list == nil) {
		return points{}, fmt.Errorf("conformance: no raster point of %s (%s to %s) holds a %s MHz channel", b.Name, b.DL.Low, b.DL.High, inMHz(bw))
	}
	return p, nil
}

// position returns where f lies on the raster, in steps from its first point.
func (p points) position(f rf.Hertz) float64 { return float64((f - p.base) / p.step) }

func (p points) nref(k int) int { return p.raster.First + k*p.raster.Every }

func (p points) first() int {
	if p.list != nil {
		return p.list[0]
	}
	return p.nref(p.low)
}

func (p points) last() int {
	if p.list != nil {
		return p.list[len(p.list)-1]
	}
	return p.nref(p.high)
}

func (p points) contains(nref int) bool {
	if p.list != nil {
		return slices.Contains(p.list, nref)
	}
	return nref >= p.first() && nref <= p.last() && (nref-p.raster.First)%p.raster.Every == 0
}

// nearest returns the point nearest f, of two equally near the lower.
func (p points) nearest(f rf.Hertz) int {
	if p.list == nil {
		return p.nref(min(p.high, max(p.low, int(math.Ceil(p.position(f)-0.5)))))
	}
	wanted := p.position(f)
	return slices.MinFunc(p.list, func(a, b int) int {
		return cmp.Compare(p.distance(a, wanted), p.distance(b, wanted))
	})
}

func (p points) distance(nref int, position float64) float64 {
	return math.Abs(float64(nref-p.raster.First)/float64(p.raster.Every) - position)
}
