package sim

import (
	"math"
	"slices"
)

// emission is what leaves one connector while it transmits, over all
// frequencies, in mW and Hz.
type emission struct {
	shapes []shape
	mixes  []mix // intermodulation of several carriers
	lines  []line
	noise  noise
	idle   float64 // density while a TDD unit is in its OFF period, mW/Hz
}

// line is a discrete tone.
type line struct{ frequency, power float64 }

// noise is broadband transmitter noise behind a band filter: flat inside the
// band, falling with the sixth power of the distance from its middle.
type noise struct {
	density   float64 // inside the band, mW/Hz
	low, high float64 // the band, Hz
}

// at returns the noise density at f in mW/Hz; it is half as strong at the
// filter's edges, one band width beyond the band.
func (n noise) at(f float64) float64 {
	if n.density == 0 {
		return 0
	}
	half := 1.5 * (n.high - n.low)
	x := (f - (n.low+n.high)/2) / half
	x2 := x * x
	return n.density / (1 + x2*x2*x2)
}

// between integrates the noise from low to high in mW. The density is smooth on
// the scale of the band, so Simpson's rule over pieces of a quarter band is
// exact to well below a thousandth of a decibel.
func (n noise) between(low, high float64) float64 {
	if n.density == 0 || high <= low {
		return 0
	}
	pieces := 2 * int(math.Ceil((high-low)/(n.high-n.low)*4+1))
	step := (high - low) / float64(pieces)
	sum := n.at(low) + n.at(high)
	for i := 1; i < pieces; i++ {
		sum += n.at(low+float64(i)*step) * float64(2+2*(i&1))
	}
	return sum * step / 3
}

// between returns the mean power from low to high in mW, as an ideal
// rectangular filter would pass it. A line on the upper edge is not counted, so
// that adjoining windows add up.
func (e *emission) between(low, high float64) float64 {
	total := e.noise.between(low, high)
	for _, s := range e.shapes {
		total += s.between(low, high)
	}
	for _, m := range e.mixes {
		total += m.between(low, high)
	}
	for _, l := range e.lines {
		if l.frequency >= low && l.frequency < high {
			total += l.power
		}
	}
	return total
}

// total returns the power of shapes, mixes and lines: all that can overload or damage
// an input. Broadband noise is left out; it is some 60 dB weaker.
func (e *emission) total() float64 {
	total := 0.0
	for _, s := range e.shapes {
		total += s.power
	}
	for _, m := range e.mixes {
		total += m.power
	}
	for _, l := range e.lines {
		total += l.power
	}
	return total
}

// through returns the power behind a path, without broadband noise.
func (e *emission) through(p path) float64 {
	total := 0.0
	for _, s := range e.shapes {
		total += s.power * p.gain(s.centre)
	}
	for _, m := range e.mixes {
		total += m.power * p.gain(m.centre)
	}
	for _, l := range e.lines {
		total += l.power * p.gain(l.frequency)
	}
	return total
}

// joined returns the emission together with that of a generator.
func (e *emission) joined(s source) *emission {
	if !s.on {
		return e
	}
	var both emission
	if e != nil {
		both = *e
	}
	both.lines = append(slices.Clip(both.lines), line{s.frequency, milliwatts(s.output())})
	return &both
}

// milliwatts turns dBm into mW, or decibels into a ratio.
func milliwatts(db float64) float64 { return math.Pow(10, db/10) }

// decibels turns mW into dBm, or a ratio into decibels.
func decibels(x float64) float64 { return 10 * math.Log10(x) }
