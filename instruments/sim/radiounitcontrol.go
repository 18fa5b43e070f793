package sim

import (
	"fmt"
	"math"
	"strconv"

	"benchyard/instruments/scpi"
)

// Limits of the settings below, and how long two of the steps take.
const (
	mostUnitAttenuation = 60.0 // dB
	perDecibel          = 20   // steps of the attenuators, 0.05 dB each
	mostToneOffset      = 50e6 // Hz
	leastToneLevel      = -80.0
	defaultToneOffset   = 1e6
	defaultToneLevel    = -10.0
	synthesizerReset    = 0.5 // s
	initialCalibration  = 2.0 // s
)

// Sources of the signal.
const (
	sourceModel = "MOD"
	sourceTone  = "TONE"
)

// What keeps a unit busy for a while.
const (
	loading     = "build load"
	resetting   = "synthesiser reset"
	calibrating = "initial calibration"
)

// port is one connector as it was told.
type port struct {
	off         bool    // kept silent while the others transmit
	attenuation float64 // behind the modulator, dB
}

// controlCommands are what a transceiver engineer turns when bringing a unit up
// by hand: connectors, the test tone, the timer of the air frame, oscillator and
// calibrations. All answer at any time; those that would disturb a transmission
// are refused with -221 while there is one.
func (r *radio) controlCommands() []command {
	u := r.unit
	list := r.connectorCommands()
	for _, c := range []command{
		choiceCommand(":CARRier:SOURce", "MODel|TONE", &u.source, nil),
		numberCommand(":TONE:OFFSet", "HZ", -mostToneOffset, mostToneOffset, &u.toneOffset, nil),
		numberCommand(":TONE:LEVel", "DB", leastToneLevel, 0, &u.toneLevel, nil),
		boolCommand(":TIMer[:STATe]", &u.timer, nil),
		{notation: ":SYNThesizer:RESet", set: event(r.resetSynthesizer)},
		{notation: ":SYNThesizer:LOCKed", get: answer(func() string { return digit(u.locked()) })},
		{notation: ":CALibration:INITial", set: event(r.calibrate)},
		{notation: ":CALibration:INITial:RESult", get: answer(func() string { return strconv.Itoa(u.synthesis.result) })},
		{notation: ":CALibration:INITial:FREQuency", get: answer(func() string { return scpi.FormatNumber(u.synthesis.calibrated) })},
		// Before the switch: STAT is short for its STATe too, and the first match answers.
		{notation: ":CALibration:TRACking:STATus", get: answer(func() string { return u.trackingStatus(r.world.clock.now()) })},
		{notation: ":CALibration:TRACking[:STATe]", set: r.track, get: answer(func() string { return digit(u.synthesis.tracking != trackingOff) })},
		{notation: ":ROSCillator:LOCKed", get: answer(func() string { return digit(!u.troubles[LostReference]) })},
		{notation: ":ROSCillator:PPS:LOCKed", get: answer(func() string { return digit(!u.troubles[LostPPS]) })},
		{notation: ":SUPPly:VOLTage", get: answer(func() string { return fmt.Sprintf("%.3f", u.bench.rail.actual) })},
		{notation: ":SUPPly:CURRent", get: answer(func() string { return fmt.Sprintf("%.3f", u.amperes()) })},
		{notation: ":SYSTem:UPTime", get: answer(func() string { return fmt.Sprintf("%.3f", r.world.clock.now()-u.started) })},
		{notation: ":ALARm:COUNt", get: answer(func() string { return strconv.Itoa(u.alarms()) })},
	} {
		list = append(list, r.guarded(c))
	}
	return list
}

// guarded makes a command safe beside the analyzer, which looks at the unit from
// a goroutine of its own, and lets the bench see what it changed.
func (r *radio) guarded(c command) command {
	w, set, get := r.world, c.set, c.get
	if set != nil {
		c.set = func(a *args) error {
			w.mu.Lock()
			defer w.mu.Unlock()
			if err := set(a); err != nil {
				return err
			}
			if r.unit.on {
				w.settle(r.unit.bench)
			}
			return nil
		}
	}
	if get != nil {
		c.get = func(a *args) (string, error) {
			w.mu.Lock()
			defer w.mu.Unlock()
			return get(a)
		}
	}
	return c
}

// connectorCommands are the settings of one connector; the suffix names it.
func (r *radio) connectorCommands() []command {
	of := func(a *args) (*port, error) {
		if n := len(r.unit.ports); a.suffix < 1 || a.suffix > n {
			return nil, scpi.StandardError(-114, fmt.Sprintf("connectors 1 to %d", n))
		}
		return &r.unit.ports[a.suffix-1], nil
	}
	set := func(do func(*args, *port) error) func(*args) error {
		return func(a *args) error {
			p, err := of(a)
			if err != nil {
				return err
			}
			return do(a, p)
		}
	}
	get := func(value func(*args, *port) (string, error)) func(*args) (string, error) {
		return func(a *args) (string, error) {
			p, err := of(a)
			if err != nil {
				return "", err
			}
			return value(a, p)
		}
	}
	return []command{
		r.guarded(command{
			notation: ":CONNector<n>[:STATe]",
			set: set(func(a *args, p *port) error {
				on, err := a.boolean()
				if err == nil {
					err = a.end()
				}
				if err == nil {
					p.off = !on
				}
				return err
			}),
			get: get(func(a *args, p *port) (string, error) { return digit(!p.off), a.end() }),
		}),
		r.guarded(command{
			notation: ":CONNector<n>:ATTenuation",
			set: set(func(a *args, p *port) error {
				v, err := a.number("DB", 0, mostUnitAttenuation)
				if err == nil {
					err = a.end()
				}
				if err == nil {
					p.attenuation = math.Round(v*perDecibel) / perDecibel
				}
				return err
			}),
			get: get(func(a *args, p *port) (string, error) { return queried(a, p.attenuation, 0, mostUnitAttenuation) }),
		}),
	}
}

// undisturbed tells why the oscillator cannot be touched now, or nil.
func (u *unit) undisturbed() error {
	switch {
	case u.on:
		return conflict("the unit transmits; send :OUTPut OFF first")
	case u.busy != "":
		return conflict("%s is running", u.busy)
	case !u.bench.powered():
		return conflict("no supply: %.1f V, want 48 V +-10 %%", u.bench.rail.actual)
	case u.timer && !u.tx.typ.SelfTuning:
		return conflict("the transmit timer runs; send :TIMer OFF first")
	}
	return nil
}

// occupy runs one step of the bring-up as an overlapped operation. A step that
// loses its supply has no result. The world is locked.
func (r *radio) occupy(what string, seconds float64, result func(now float64)) {
	w, u := r.world, r.unit
	u.busy = what
	r.note(what, "begins")
	r.begin(seconds, func() func() {
		return func() {
			w.mu.Lock()
			defer w.mu.Unlock()
			u.busy = ""
			if u.bench.powered() {
				result(w.clock.now())
			}
			r.note(what, "oscillator at %g Hz, calibration %d", u.synthesis.lo, u.synthesis.result)
		}
	})
}

// resetSynthesizer makes the oscillator take the frequency of the carriers.
func (r *radio) resetSynthesizer() error {
	u := r.unit
	if err := u.undisturbed(); err != nil {
		return err
	}
	if missing := u.unset(); missing != "" {
		return conflict("%s", missing)
	}
	r.occupy(resetting, synthesizerReset, func(now float64) {
		if u.locked() {
			u.retune(now)
		}
	})
	return nil
}

// calibrate runs the initial calibration where the oscillator is.
func (r *radio) calibrate() error {
	u := r.unit
	if err := u.undisturbed(); err != nil {
		return err
	}
	switch {
	case !u.locked():
		return conflict("the synthesiser is not locked")
	case u.synthesis.tracking != trackingOff:
		return conflict("tracking calibrations are on; send :CALibration:TRACking OFF first")
	}
	r.occupy(calibrating, initialCalibration, func(float64) { u.calibrate() })
	return nil
}

// track switches the tracking calibrations.
func (r *radio) track(a *args) error {
	on, err := a.boolean()
	if err == nil {
		err = a.end()
	}
	if err != nil {
		return err
	}
	u := r.unit
	switch {
	case u.busy != "":
		return conflict("%s is running", u.busy)
	case on && !u.bench.powered():
		return conflict("no supply: %.1f V, want 48 V +-10 %%", u.bench.rail.actual)
	}
	u.track(on, r.world.clock.now())
	r.note("tracking", "%s", u.synthesis.tracking)
	return nil
}

// locked reports whether the oscillator is where it was last told.
func (u *unit) locked() bool {
	return u.bench.powered() && !u.troubles[NoLock] && u.busy != resetting
}
