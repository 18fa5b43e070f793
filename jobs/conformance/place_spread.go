package conformance

import (
	"fmt"

	"benchyard/instruments/rf"
)

// PlaceSpread returns n carriers of a shape, evenly spread from the bottom to the
// top of a band, each at the raster point next to its place. A band with fewer
// raster points than n gives each once.
func (l *Set) PlaceSpread(band string, bw, scs rf.Hertz, n int) ([]Carrier, error) {
	if n < 2 {
		return nil, fmt.Errorf("conformance: %d places: want at least 2", n)
	}
	b, err := l.carrierBand(band, bw, scs)
	if err != nil {
		return nil, err
	}
	points, err := b.raster(scs).inside(l.tables, b, bw)
	if err != nil {
		return nil, err
	}
	low, high := l.frequencyOf(points.first()), l.frequencyOf(points.last())
	var list []Carrier
	for i := range n {
		nref := points.nearest(low + (high-low)*rf.Hertz(i)/rf.Hertz(n-1))
		if len(list) > 0 && list[len(list)-1].NREF == nref {
			continue
		}
		c, err := l.carrier(b, "", nref, bw, scs)
		if err != nil {
			return nil, err
		}
		list = append(list, c)
	}
	return list, nil
}
