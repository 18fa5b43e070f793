package sim

import (
	"fmt"
	"math"
	"time"

	"benchyard/instruments/rf"
)

// Tone is a condition in which a test tone is sent in place of the test model.
// The carriers say where the oscillator is, in the middle of all, and what power
// a tone of full scale has.
type Tone struct {
	Condition
	Offset rf.Hertz // from the oscillator
	Level  rf.DB    // over full scale
	// Calibrated is the oscillator frequency of the last initial calibration;
	// zero for a unit that had none.
	Calibrated rf.Hertz
	// Tracked is how long, in simulated time, the tracking calibrations have run
	// since. It counts only at the frequency of the initial calibration.
	Tracked time.Duration
}

// ToneTruth is what a connector sends with a tone at offset f, at the connector.
type ToneTruth struct {
	Power   rf.DBm // of the tone, at +f from the oscillator
	Leakage rf.DB  // at 0, of the oscillator, over the tone; minus infinity for none
	Image   rf.DB  // at -f, over the tone
	Third   rf.DB  // at -3f, from the cubic on the rails, over the tone
}

// ExpectTone returns the truth about a tone. Unknown serials and connectors are
// errors, and so is a tone without offset.
func (c Config) ExpectTone(x Tone) (*ToneTruth, error) {
	t, err := c.transmitter(x.Condition)
	if err != nil {
		return nil, err
	}
	d := x.drive()
	d.tone = &tone{float64(x.Offset), float64(x.Level)}
	m, lo, at := t.modulators[x.Connector-1], centre(d.carriers), float64(x.Calibrated)
	var k correction
	if at != 0 {
		k = correction{m.image.found(at), m.leakage.found(at)}
	}
	if at == lo && x.Tracked > 0 {
		k = correction{m.image.tracking(k.image, lo, x.Tracked.Seconds()), m.leakage.tracking(k.leakage, lo, x.Tracked.Seconds())}
	}
	left := m.left(k, lo)
	d.left = &left
	return t.truthOf(d)
}

// ExpectTone returns the truth about the tone that a connector is sending now.
func (l *Lab) ExpectTone(serial string, connector int) (*ToneTruth, error) {
	w := l.world
	w.mu.Lock()
	defer w.mu.Unlock()
	u, ok := w.units[serial]
	if !ok || connector < 1 || connector > len(u.ports) || !u.on || u.source != sourceTone || u.ports[connector-1].off {
		return nil, fmt.Errorf("sim: no tone from connector %d of radio unit %q", connector, serial)
	}
	return u.tx.truthOf(u.drive(connector, w.clock.now()))
}

// truthOf reads the truth from the lines that are sent.
func (t *transmitter) truthOf(d drive) (*ToneTruth, error) {
	if d.tone.offset == 0 {
		return nil, fmt.Errorf("sim: a tone without offset cannot be told from the oscillator")
	}
	lo := centre(d.carriers)
	if d.lo != 0 {
		lo = d.lo
	}
	scale := 1 + (t.ppm+d.ppm)*1e-6
	var e emission
	t.carve(&e, d, lo, scale)
	at := func(multiple float64) float64 {
		f := (lo + multiple*d.tone.offset) * scale
		for _, l := range e.lines {
			if l.frequency == f {
				return decibels(l.power)
			}
		}
		return math.Inf(-1)
	}
	tone := at(1)
	return &ToneTruth{rf.DBm(tone), rf.DB(at(0) - tone), rf.DB(at(-1) - tone), rf.DB(at(-3) - tone)}, nil
}
