package sim

import (
	"fmt"
	"math"

	"benchyard/instruments/nr"
	"benchyard/instruments/rf"
)

// Condition names one connector of one radio unit while it transmits.
type Condition struct {
	Serial    string
	Build     string
	Connector int // from 1
	Carrier   Carrier
	// Chill is how cold the amplifier is: 0 (the default) for one that has been
	// transmitting for long, 1 for one just switched on. Lab.Chill tells.
	Chill float64
	// Attenuation is what the connector's attenuator is set to.
	Attenuation rf.DB
	// More are the other carriers that are transmitted at the same time.
	More []Carrier
}

// drive returns what the transmitter is told to do.
func (c Condition) drive() drive {
	return drive{
		build: c.Build, connector: c.Connector, carriers: append([]Carrier{c.Carrier}, c.More...),
		chill: c.Chill, attenuation: float64(c.Attenuation),
	}
}

// Expectation is the truth about one condition, referred to the connector and
// to the ON period: no path, no filter but ideal rectangular ones, no scatter.
type Expectation struct {
	emission *emission
	carrier  Carrier
	width    float64 // transmission bandwidth configuration, Hz
}

// Expect returns the truth about a test model from a unit whose calibrations are
// in order; what its modulators leak is left out. Unknown serials, connectors and
// channel bandwidths are errors.
func (c Config) Expect(cond Condition) (*Expectation, error) {
	t, err := c.transmitter(cond)
	if err != nil {
		return nil, err
	}
	e, err := t.emission(cond.drive())
	if err != nil {
		return nil, err
	}
	width, err := nr.Configured(cond.Carrier.Bandwidth, cond.Carrier.SCS)
	return &Expectation{e, cond.Carrier, float64(width)}, err
}

// transmitter returns the transmitter that a condition is about.
func (c Config) transmitter(cond Condition) (*transmitter, error) {
	u, err := c.unit(cond.Serial)
	if err != nil {
		return nil, err
	}
	t, err := newTransmitter(c, u)
	if err == nil && (cond.Connector < 1 || cond.Connector > len(t.chains)) {
		err = fmt.Errorf("sim: radio unit %s has connectors 1 to %d, not %d", cond.Serial, len(t.chains), cond.Connector)
	}
	return t, err
}

// Power returns the mean power through an ideal rectangular filter of the given
// width centred at f.
func (x *Expectation) Power(f, width rf.Hertz) rf.DBm {
	return rf.DBm(decibels(x.emission.between(float64(f-width/2), float64(f+width/2))))
}

// ChannelPower returns the mean power in the channel bandwidth.
func (x *Expectation) ChannelPower() rf.DBm {
	return x.Power(x.carrier.Center, x.carrier.Bandwidth)
}

// CarrierPower returns the mean power in the transmission bandwidth configuration.
func (x *Expectation) CarrierPower() rf.DBm { return x.Power(x.carrier.Center, rf.Hertz(x.width)) }

// LeakageRatio returns the adjacent channel leakage ratio of the n-th adjacent
// channel, n below zero for the lower side: powers through square filters of the
// transmission bandwidth configuration, n channel bandwidths apart (TS 38.104 6.6.3).
func (x *Expectation) LeakageRatio(n int) rf.DB {
	at := x.carrier.Center + rf.Hertz(n)*x.carrier.Bandwidth
	return x.CarrierPower().Sub(x.Power(at, rf.Hertz(x.width)))
}

// OccupiedBandwidth returns the width between the frequencies below and above
// which half a percent each of the mean power lies, and those frequencies. The
// power is that inside two channel bandwidths around the carrier.
func (x *Expectation) OccupiedBandwidth() (width, low, high rf.Hertz) {
	from := float64(x.carrier.Center - x.carrier.Bandwidth)
	to := float64(x.carrier.Center + x.carrier.Bandwidth)
	tail := 0.005 * x.emission.between(from, to)
	a := bisect(from, to, func(f float64) bool { return x.emission.between(from, f) >= tail })
	b := bisect(from, to, func(f float64) bool { return x.emission.between(f, to) < tail })
	return rf.Hertz(b - a), rf.Hertz(a), rf.Hertz(b)
}

// Worst returns the strongest level through a filter of the given width whose
// centre lies in r, and where. Candidates are the ends of r, every line, and
// 200 centres across each shape and across r, whose spectra are smooth.
func (x *Expectation) Worst(r rf.Range, width rf.Hertz) (rf.DBm, rf.Hertz) {
	level, at := rf.DBm(math.Inf(-1)), r.Low
	try := func(f rf.Hertz) {
		if !r.Contains(f) {
			return
		}
		if p := x.Power(f, width); p > level {
			level, at = p, f
		}
	}
	across := func(low, high rf.Hertz) {
		for i := range 201 {
			try(low + (high-low)*rf.Hertz(i)/200)
		}
	}
	across(r.Low, r.High)
	for _, s := range x.emission.shapes {
		low, high := s.support()
		across(max(rf.Hertz(low), r.Low), min(rf.Hertz(high), r.High))
	}
	for _, m := range x.emission.mixes {
		low, high := m.support()
		across(max(rf.Hertz(low), r.Low), min(rf.Hertz(high), r.High))
	}
	for _, l := range x.emission.lines {
		try(rf.Hertz(l.frequency))
	}
	return level, at
}

// bisect returns where holds turns true between low and high, to a millihertz.
func bisect(low, high float64, holds func(float64) bool) float64 {
	for high-low > 1e-3 {
		middle := (low + high) / 2
		if holds(middle) {
			high = middle
		} else {
			low = middle
		}
	}
	return (low + high) / 2
}
