package conformance

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// onRaster is how far off a frequency may be written and still be a raster
// point: less than any step.
const onRaster = rf.Hertz(1)

// PlaceFrequency returns the carrier that stands at f, with the name of the RF
// channel if it is the bottom, middle or top one. A frequency beside the channel
// raster is an error that names its neighbours on it, one that the band has no
// room at is that of PlaceAt.
func (l *Set) PlaceFrequency(band string, f, bw, scs rf.Hertz) (Carrier, error) {
	b, err := l.carrierBand(band, bw, scs)
	if err != nil {
		return Carrier{}, err
	}
	points, err := b.raster(scs).inside(l.tables, b, bw)
	if err != nil {
		return Carrier{}, err
	}
	low, high := l.frequencyOf(points.first()), l.frequencyOf(points.last())
	if !(f >= low-onRaster && f <= high+onRaster) {
		return Carrier{}, fmt.Errorf("conformance: %s is no place for a %s MHz carrier in %s: the raster runs from %d to %d, %s to %s",
			f, inMHz(bw), b.Name, points.first(), points.last(), low, high)
	}
	nref := points.nearest(f)
	if at := l.frequencyOf(nref); math.Abs(float64(at-f)) > float64(onRaster) {
		below, above := points.around(nref, f-at)
		return Carrier{}, fmt.Errorf("conformance: %s is not on the channel raster of %s at %s; nearest is %s or %s",
			f, b.Name, scs, l.frequencyOf(below), l.frequencyOf(above))
	}
	for _, ch := range []RFChannel{Bottom, Middle, Top} {
		if at, err := l.Place(band, ch, bw, scs); err == nil && at.NREF == nref {
			return at, nil
		}
	}
	return l.carrier(b, "", nref, bw, scs)
}

// PlaceFrequency returns the carrier at a frequency under the embedded set; see
// Set.PlaceFrequency.
func PlaceFrequency(band string, f, bw, scs rf.Hertz) (Carrier, error) {
	return Embedded().PlaceFrequency(band, f, bw, scs)
}

// frequencyOf is Frequency of a number that the raster has.
func (l *Set) frequencyOf(nref int) rf.Hertz {
	f, _ := l.tables.frequency(nref)
	return f
}

// around returns the points below and above a frequency that lies off from the
// nearest point; at the ends of the raster both are that point.
func (p points) around(nearest int, off rf.Hertz) (below, above int) {
	below, above = nearest, nearest
	k := (nearest - p.raster.First) / p.raster.Every
	if p.list != nil {
		for _, n := range p.list {
			if off > 0 && n > nearest && above == nearest {
				above = n
			}
			if off < 0 && n < nearest {
				below = n
			}
		}
		return below, above
	}
	if off > 0 {
		return nearest, p.nref(min(p.high, k+1))
	}
	return p.nref(max(p.low, k-1)), nearest
}
