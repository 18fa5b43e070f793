package sim

import (
	"hash/fnv"
	"math"
	"math/rand/v2"

	"benchyard/instruments/nr"
	"benchyard/instruments/rf"
)

// Carrier is what a radio unit is configured to transmit on every connector.
type Carrier struct {
	Center    rf.Hertz
	Bandwidth rf.Hertz // channel bandwidth
	SCS       rf.Hertz
	Power     rf.DBm // per connector
}

// total returns the power of all carriers at one connector.
func total(carriers []Carrier) rf.DBm {
	if len(carriers) == 1 {
		return carriers[0].Power
	}
	sum := 0.0
	for _, c := range carriers {
		sum += milliwatts(float64(c.Power))
	}
	return rf.DBm(decibels(sum))
}

// transmitter is a radio unit type as one serial number has come out of
// production: the nominal figures and this unit's scatter around them.
type transmitter struct {
	typ    TypeConfig
	faults []Fault
	ppm    float64 // frequency error, parts per million
	drift  float64 // extra gain of the cold amplifier, dB
	noise  float64 // scatter of the noise density, dB
	chains []chain

	modulators []modulator // by connector
}

// chain is the scatter of one connector, decibels.
type chain struct {
	gain          float64 // at every frequency
	slope, phase  float64 // gain over frequency: slope * sin(2 pi f / 700 MHz + phase)
	compression   float64
	linearization float64
	second, third float64
}

// random returns the generator of one thing in the lab: the same seed and name
// give the same numbers, whatever else there is.
func random(seed uint64, name string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(name))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// spread draws uniformly from -half to +half.
func spread(r *rand.Rand, half float64) float64 { return half * (2*r.Float64() - 1) }

// newTransmitter draws a unit of the given serial number.
func newTransmitter(c Config, u UnitConfig) (*transmitter, error) {
	typ, err := c.typeOf(u.Type)
	if err != nil {
		return nil, err
	}
	r := random(c.Seed, "transmitter "+u.Serial)
	t := &transmitter{typ: typ, ppm: spread(r, 0.02), drift: 0.1 + 0.12*r.Float64(), noise: spread(r, 1)}
	for range typ.Connectors {
		t.chains = append(t.chains, chain{
			gain: spread(r, 0.2), slope: 0.06 * r.Float64(), phase: 2 * math.Pi * r.Float64(),
			compression: spread(r, 0.1), linearization: spread(r, 0.2),
			second: spread(r, 2), third: spread(r, 2),
		})
	}
	t.modulators = newModulators(c.Seed, u, typ.Connectors)
	for _, f := range c.Faults {
		if f.Serial == u.Serial {
			t.faults = append(t.faults, f)
		}
	}
	return t, nil
}

// Regrowth of an amplifier without memory, driven by an OFDM (Gaussian) signal:
// third-order power over carrier is 2(P - IIP3) + 3.01 dB and the 1 dB
// compression point of a tone lies 9.64 dB below IIP3 (cubic law), hence
// 2(P - P1dB) - 16.27 dB. The fifth order has no such link; it is set 28 dB
// below the carrier at the compression point, and rises 4 dB per dB.
const (
	thirdAtCompression = -16.27
	fifthAtCompression = -28.0
)

// idleDensity is the noise of a TDD unit in its OFF period, dBm/Hz.
const idleDensity = -150.0

// drive is what one connector's transmitter is told to do, and how it stands.
type drive struct {
	build       string
	connector   int // from 1
	carriers    []Carrier
	chill       float64   // 1 for an amplifier just switched on, 0 for a warm one
	lo          float64   // oscillator, Hz; zero: where the carriers want it
	ppm         float64   // error of the reference, parts per million
	attenuation float64   // dB
	left        *residual // of the modulator; nil: nothing worth showing
	stopped     bool      // the air frame does not run
	tone        *tone     // instead of the test model
}

// tone is a test tone: offset from the oscillator in Hz, level over full scale in dB.
type tone struct{ offset, level float64 }

// emission returns what a connector transmits. Several carriers go through one
// amplifier, which is driven by the sum of their powers; a fault that belongs to
// some frequencies shows when any carrier is there.
func (t *transmitter) emission(d drive) (*emission, error) {
	e := &emission{
		noise: noise{milliwatts(float64(t.typ.Noise) + t.noise), float64(t.typ.Downlink.Low), float64(t.typ.Downlink.High)},
		idle:  milliwatts(idleDensity),
	}
	shift := 0.0
	if d.lo != 0 {
		shift = d.lo - centre(d.carriers)
	}
	scale := 1 + (t.ppm+d.ppm)*1e-6
	if d.tone != nil || d.stopped {
		t.carve(e, d, centre(d.carriers)+shift, scale)
		return e, nil
	}
	var bands []band
	var s state
	all := 0.0
	for i, c := range d.carriers {
		width, err := nr.Configured(c.Bandwidth, c.SCS)
		if err != nil {
			return nil, err
		}
		into := e
		if i > 0 { // lines of faults stand once
			into = &emission{}
		}
		s = t.state(d, float64(c.Center)+shift, float64(c.Power), float64(c.Bandwidth), float64(width), into)
		s.power = s.backed(d.attenuation)
		bands = append(bands, band{(float64(c.Center) + shift) * scale, s.width, milliwatts(s.power)})
		all += milliwatts(s.power)
	}
	if len(d.carriers) > 1 {
		s.power = decibels(all)
	}
	t.amplify(e, s, float64(t.typ.Third)+t.chains[d.connector-1].third, bands)
	if d.left != nil {
		e.spill(*d.left, bands, (centre(d.carriers)+shift)*scale, all)
	}
	return e, nil
}

// state returns how the transmitter stands for a carrier of that power and width
// at f. Lines of faults go into e.
func (t *transmitter) state(d drive, f, power, channel, width float64, e *emission) state {
	ch := t.chains[d.connector-1]
	s := state{
		power:       power + ch.gain + ch.slope*math.Sin(2*math.Pi*f/700e6+ch.phase) + t.drift*d.chill,
		compression: float64(t.typ.Compression) + ch.compression,
		linear:      float64(t.typ.Linearization) + ch.linearization,
		second:      float64(t.typ.Second) + ch.second,
		width:       width,
	}
	for _, x := range t.faults {
		if applies(x, d.build, d.connector, d.carriers) {
			s.spoil(x, channel, e)
			if x.Kind == UnevenGain {
				s.power -= x.Amount * (f - float64(t.typ.Downlink.Low)) / float64(t.typ.Downlink.Width())
			}
		}
	}
	return s
}

// applies reports whether a fault shows with any of the carriers.
func applies(f Fault, build string, connector int, carriers []Carrier) bool {
	for _, c := range carriers {
		if f.applies(build, connector, c.Center) {
			return true
		}
	}
	return false
}

// amplify adds the bands, their regrowth and their harmonics. s.power is that of
// all bands: it sets how much regrows, and the product of the powers where.
func (t *transmitter) amplify(e *emission, s state, thirdHarmonic float64, bands []band) {
	over := s.power - s.compression
	third := milliwatts(s.power + 2*over + thirdAtCompression - s.linear)
	fifth := milliwatts(s.power + 4*over + fifthAtCompression - s.linear)
	second, harmonic := milliwatts(s.power+s.second), milliwatts(s.power+thirdHarmonic)
	if len(bands) == 1 {
		centre := bands[0].centre
		e.shapes = []shape{
			{1, centre, s.width, bands[0].power},
			{3, centre, s.width, third},
			{5, centre, s.width, fifth},
			{2, 2 * centre, s.width, second},
			{3, 3 * centre, s.width, harmonic},
		}
		return
	}
	for _, b := range bands {
		e.shapes = append(e.shapes, shape{1, b.centre, b.width, b.power})
	}
	e.mixes = append(e.mixes, products(bands, 2, 1, third)...)
	e.mixes = append(e.mixes, products(bands, 3, 2, fifth)...)
	e.mixes = append(e.mixes, products(bands, 2, 0, second)...)
	e.mixes = append(e.mixes, products(bands, 3, 0, harmonic)...)
}

// state is what faults can change before the spectrum is put together.
type state struct{ power, compression, linear, second, width float64 }

func (s *state) spoil(f Fault, channel float64, e *emission) {
	switch f.Kind {
	case WeakAmplifier:
		s.compression -= f.Amount
	case PoorPredistorter:
		s.linear -= f.Amount
	case PowerSetting:
		s.power += f.Amount
	case WideCarrier:
		s.width = f.Amount * channel
	case StrongHarmonic:
		s.second += f.Amount
	case Spur:
		e.lines = append(e.lines, line{float64(f.Frequency), milliwatts(f.Amount)})
	}
}
