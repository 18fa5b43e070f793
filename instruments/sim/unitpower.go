package sim

import "math"

// Compression of a memoryless cubic law: a tone at the 1 dB compression point
// loses 1 dB, |k| A^2 = 1 - 10^(-1/20); the gain of a Gaussian signal falls twice
// as fast (waveform facts 5.3). The law turns over where a tone has lost a third.
const (
	compressed     = 0.10874906186625443
	gaussianFactor = 2.0
	mostLoss       = 1.0 / 3
)

// lost returns the compression in dB of a signal that would have the power x
// without it, over a compression point, both in dBm.
func lost(x, point, factor float64) float64 {
	return -20 * math.Log10(1-min(factor*compressed*milliwatts(x-point), mostLoss))
}

// backed returns the power of carriers behind an attenuator in front of the
// amplifier. What they are told is what comes out without attenuation; with it
// the amplifier gives back what it had taken. The predistorter counters the
// compression by as much as it counters the regrowth, which is the same term.
func (s state) backed(attenuation float64) float64 {
	if attenuation == 0 {
		return s.power
	}
	factor := gaussianFactor * amplitude(-s.linear)
	driven := s.power
	for range 40 { // converges by a factor of four and more
		driven = s.power + lost(driven, s.compression, factor)
	}
	return s.power - attenuation + lost(driven, s.compression, factor) - lost(driven-attenuation, s.compression, factor)
}

// carve puts the lines of a test tone into e, or what is left when nothing is
// modulated. With c1 = A (1 + 3 a A^2/4) and c3 = a A^3/4 of the cubic a on the
// rails, the tone is c1, its image at -f the conjugate of it times image over
// wanted, and the product at -3f c3; that one has an image at +3f too (waveform
// facts 5.2). The amplifier, whose predistorter adapts to test models only,
// compresses all lines together.
func (t *transmitter) carve(e *emission, d drive, lo, scale float64) {
	var left residual
	if d.left != nil {
		left = *d.left
	}
	a, f := 0.0, lo
	if d.tone != nil {
		a, f = amplitude(d.tone.level), lo+d.tone.offset
	}
	c1, c3 := a*(1+0.75*left.cubic*a*a), left.cubic*a*a*a/4
	bandwidth := float64(d.carriers[0].Bandwidth)
	s := t.state(d, f, float64(total(d.carriers)), bandwidth, bandwidth, e)
	full := s.power - d.attenuation // of full scale, before the amplifier
	if c1 > 0 {
		full -= lost(full+20*math.Log10(c1), s.compression, 1)
	}
	add := func(offset, amplitude float64) {
		if amplitude != 0 {
			e.lines = append(e.lines, line{(lo + offset) * scale, milliwatts(full) * amplitude * amplitude})
		}
	}
	image := magnitude(left.image)
	add(0, magnitude(left.leakage))
	if d.tone != nil {
		add(d.tone.offset, c1)
		add(-d.tone.offset, c1*image)
		add(-3*d.tone.offset, c3)
		add(3*d.tone.offset, c3*image)
	}
}

// spill adds what the modulator leaks of test models: the oscillator's line and
// the carriers mirrored about it. all is their power in mW.
func (e *emission) spill(left residual, bands []band, lo, all float64) {
	if p := all * magnitude(left.leakage) * magnitude(left.leakage); p > 0 {
		e.lines = append(e.lines, line{lo, p})
	}
	image := magnitude(left.image) * magnitude(left.image)
	for _, b := range bands {
		if image > 0 {
			e.shapes = append(e.shapes, shape{1, 2*lo - b.centre, b.width, b.power * image})
		}
	}
}

func magnitude(z complex128) float64 { return math.Hypot(real(z), imag(z)) }

// drive returns what a connector is told now.
func (u *unit) drive(connector int, now float64) drive {
	d := drive{
		build: u.build, connector: connector, carriers: u.carriers, chill: 1 - u.heat.at(now),
		lo: u.synthesis.lo, attenuation: u.ports[connector-1].attenuation,
	}
	if u.troubles[LostReference] {
		d.ppm = adrift
	}
	if u.source == sourceTone {
		d.tone = &tone{u.toneOffset, u.toneLevel}
	} else {
		d.stopped = !u.timer
	}
	if !u.tx.typ.SelfTuning || d.tone != nil {
		left := u.tx.modulators[connector-1].left(u.corrected(connector-1, now), u.synthesis.lo)
		d.left = &left
	}
	return d
}

// modulated reports whether a test model is on the air, in bursts for TDD.
func (u *unit) modulated() bool { return u.source == sourceModel && u.timer }

// watts is what the amplifiers take from the supply: the output at full power
// over the efficiency, falling with the square root of the output as a class B
// stage does (common practice, no source).
func (u *unit) watts() float64 {
	if !u.on || u.source == sourceModel && !u.timer {
		return 0
	}
	nominal, rated, sum := float64(total(u.carriers)), float64(u.tx.typ.Rated), 0.0
	if u.source == sourceTone {
		nominal += u.toneLevel
	}
	for _, p := range u.ports {
		if !p.off {
			sum += milliwatts(rated-30) / efficiency * amplitude(nominal-p.attenuation-rated)
		}
	}
	return sum
}

// amperes is what the unit takes from the rail.
func (u *unit) amperes() float64 {
	if u.bench.rail.actual == 0 {
		return 0
	}
	return (idleWatts + u.watts()) / u.bench.rail.actual
}

// warm lets amplifiers and housing approach the temperatures that belong to the
// power they take, 1 being full power at every connector.
func (u *unit) warm(now float64) {
	full := milliwatts(float64(u.tx.typ.Rated)-30) / efficiency * float64(len(u.tx.chains))
	share := u.watts() / full
	if share != u.heat.target {
		u.heat.aim(share, now)
		u.housing.aim(share, now)
	}
}

// temperature is what the unit reports, degrees Celsius.
func (u *unit) temperature(now float64) float64 {
	c := 27 + 21*u.housing.at(now)
	if u.troubles[Overheated] {
		c += 40
	}
	return c
}
