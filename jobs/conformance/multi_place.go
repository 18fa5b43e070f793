package conformance

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

// Shape is a carrier without its place.
type Shape struct{ Bandwidth, SCS rf.Hertz }

// Test configurations for several carriers in one band (TS 38.141-1 4.7.2, from
// memory). Their carriers and gaps are what the manufacturer supports; what a
// name fixes here is only whether there may be gaps.
const (
	ContiguousTest    = "NRTC1" // contiguous
	AggregatedTest    = "NRTC2" // contiguous carrier aggregation, for 6.6.2
	NonContiguousTest = "NRTC3" // non-contiguous
)

// TestConfigurations names the test configurations that can be placed.
func TestConfigurations() []string {
	return []string{ContiguousTest, AggregatedTest, NonContiguousTest}
}

// Configuration is several carriers in one band before they are placed. Gaps
// are the widths of what lies between one carrier and the next: zero where their
// channels touch.
type Configuration struct {
	Test     string // NRTC1, NRTC2, NRTC3, or empty where it is none of them
	Carriers []Shape
	Gaps     []rf.Hertz // one fewer than carriers; nil means none of them has a gap
}

// mostCarriers bounds a configuration.
const mostCarriers = 16

// Validate reports the first reason why c is no configuration.
func (c Configuration) Validate() error {
	n := len(c.Carriers)
	switch {
	case n < 2 || n > mostCarriers:
		return fmt.Errorf("conformance: a configuration has 2 to %d carriers, not %d", mostCarriers, n)
	case c.Gaps != nil && len(c.Gaps) != n-1:
		return fmt.Errorf("conformance: %d carriers want a gap for each step from one to the next, %d in all, not %d; a gap of 0 Hz says that channels touch", n, n-1, len(c.Gaps))
	}
	for i, g := range c.Gaps {
		if !(g >= 0) || math.IsInf(float64(g), 0) || g > 0 && g <= 2*touching {
			return fmt.Errorf("conformance: gap %d of %s is neither nothing nor wider than %s, the raster", i+1, g, 2*touching)
		}
	}
	open := slices.ContainsFunc(c.Gaps, func(g rf.Hertz) bool { return g > 0 })
	switch c.Test {
	case "":
	case "NRTC4", "NRTC5":
		return fmt.Errorf("conformance: %s is for several bands; a configuration stands in one", c.Test)
	case ContiguousTest, AggregatedTest:
		if open {
			return fmt.Errorf("conformance: %s is contiguous, but there is a gap", c.Test)
		}
	case NonContiguousTest:
		if !open {
			return fmt.Errorf("conformance: %s is non-contiguous, but there is no gap", c.Test)
		}
	default:
		return fmt.Errorf("conformance: unknown test configuration %q; known are %s", c.Test, strings.Join(TestConfigurations(), ", "))
	}
	return nil
}

// PlaceConfiguration places several carriers in a band so that their RF
// bandwidth stands at its bottom, middle or top (B, M and T of TS 38.141-1
// 4.9.1, from memory). B begins with the first raster point of the lowest
// carrier, T ends with the last of the highest, M has its middle nearest that
// of the band. Each carrier stands on its own raster. Where the raster does not
// fit, gaps grow by less than one step, and channels that touch keep within half
// a step of touching, a full one at the most.
func (l *Set) PlaceConfiguration(band string, ch RFChannel, c Configuration) ([]Carrier, error) {
	ch, err := ParseRFChannel(string(ch))
	if err != nil {
		return nil, err
	}
	if err := c.Validate(); err != nil {
		return nil, err
	}
	p := placement{set: l, shapes: c.Carriers, gaps: c.Gaps}
	if p.gaps == nil {
		p.gaps = make([]rf.Hertz, len(c.Carriers)-1)
	}
	for _, shape := range c.Carriers {
		if p.band, err = l.carrierBand(band, shape.Bandwidth, shape.SCS); err != nil {
			return nil, err
		}
		points, err := p.band.raster(shape.SCS).inside(l.tables, p.band, shape.Bandwidth)
		if err != nil {
			return nil, err
		}
		p.points = append(p.points, points)
	}
	return p.place(ch)
}

// PlaceConfiguration places several carriers under the embedded set; see
// Set.PlaceConfiguration.
func PlaceConfiguration(band string, ch RFChannel, c Configuration) ([]Carrier, error) {
	return Embedded().PlaceConfiguration(band, ch, c)
}

// placement is a configuration on its way into a band.
type placement struct {
	set    *Set
	band   Band
	shapes []Shape
	gaps   []rf.Hertz
	points []points
}

// place puts the outermost carrier where the RF channel wants it and the others
// beside it; the middle starts where the width of all says.
func (p placement) place(ch RFChannel) ([]Carrier, error) {
	n := len(p.shapes)
	if ch == Top {
		carriers, err := p.from(n-1, p.points[n-1].last(), ch)
		return p.fitting(carriers, err)
	}
	lowest, err := p.from(0, p.points[0].first(), ch)
	if lowest, err = p.fitting(lowest, err); err != nil || ch == Bottom {
		return lowest, err
	}
	whole := Subject{Carriers: lowest}.RFBandwidth()
	wanted := (p.band.DL.Low+p.band.DL.High)/2 - whole.Width()/2 + p.shapes[0].Bandwidth/2
	carriers, err := p.from(0, p.points[0].nearest(wanted), ch)
	return p.fitting(carriers, err)
}

// from places carrier i at a raster point and the others upward and downward
// from it.
func (p placement) from(i, nref int, ch RFChannel) ([]Carrier, error) {
	carriers := make([]Carrier, len(p.shapes))
	var err error
	if carriers[i], err = p.set.carrier(p.band, ch, nref, p.shapes[i].Bandwidth, p.shapes[i].SCS); err != nil {
		return nil, err
	}
	for k := i + 1; k < len(carriers); k++ {
		if carriers[k], err = p.beside(carriers[k-1], k, 1, p.gaps[k-1], ch); err != nil {
			return nil, err
		}
	}
	for k := i - 1; k >= 0; k-- {
		if carriers[k], err = p.beside(carriers[k+1], k, -1, p.gaps[k], ch); err != nil {
			return nil, err
		}
	}
	return carriers, nil
}

// beside places carrier k above (+1) or below (-1) a placed one.
func (p placement) beside(placed Carrier, k, way int, gap rf.Hertz, ch RFChannel) (Carrier, error) {
	points, shape := p.points[k], p.shapes[k]
	wanted := placed.Center + rf.Hertz(way)*((placed.Bandwidth+shape.Bandwidth)/2+gap)
	at := points.position(wanted)
	step := int(math.Round(at))
	switch {
	case gap > 0 && way > 0:
		step = int(math.Ceil(at - 1e-6))
	case gap > 0:
		step = int(math.Floor(at + 1e-6))
	}
	nref := points.nref(step)
	if !points.contains(nref) {
		return Carrier{}, p.tooWide()
	}
	return p.set.carrier(p.band, ch, nref, shape.Bandwidth, shape.SCS)
}

// fitting refuses carriers that ended up apart though their channels should
// touch, or overlap.
func (p placement) fitting(carriers []Carrier, err error) ([]Carrier, error) {
	if err != nil {
		return nil, err
	}
	for i, gap := range p.gaps {
		between := carriers[i+1].Edges().Low - carriers[i].Edges().High
		if gap == 0 && math.Abs(float64(between)) > float64(touching+edgeSlack) {
			return nil, fmt.Errorf("conformance: on the raster of %s, carriers %d and %d cannot touch: %s lies between them", p.band.Name, i+1, i+2, between)
		}
	}
	return carriers, nil
}

func (p placement) tooWide() error {
	width := rf.Hertz(0)
	for _, s := range p.shapes {
		width += s.Bandwidth
	}
	for _, g := range p.gaps {
		width += g
	}
	return fmt.Errorf("conformance: %s (%s to %s) has no room for a configuration of %s MHz", p.band.Name, p.band.DL.Low, p.band.DL.High, inMHz(width))
}
