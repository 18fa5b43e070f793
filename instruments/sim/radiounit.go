package sim

import (
	"fmt"
	"strings"

	"benchyard/instruments/nr"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// radio is the control port of a radio unit. It stays reachable without DC
// supply; the transmitter does not run without it.
type radio struct {
	*device
	unit  *unit
	want  [mostCarriers]carrierSetting
	count float64 // carriers that are transmitted
}

// mostCarriers is how many carriers a unit transmits at once.
const mostCarriers = 4

// carrierSetting is one carrier as it was told.
type carrierSetting struct {
	center, bandwidth, scs, power float64
	set                           map[string]bool
}

// testModels are the FR1 test models that a unit can transmit (TS 38.141-1 4.9.2.2).
var testModels = []string{
	"NR-FR1-TM1.1", "NR-FR1-TM1.2", "NR-FR1-TM2", "NR-FR1-TM2a", "NR-FR1-TM3.1", "NR-FR1-TM3.1a", "NR-FR1-TM3.2", "NR-FR1-TM3.3",
}

func newRadio(w *world, u *unit) *radio {
	r := &radio{device: newDevice(u.config.Serial, "", w), unit: u, count: 1}
	u.forgotten = r.forget
	u.forget()
	u.boot()
	r.device.reset = func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.mute(u, "reset")
		w.settle(u.bench)
		u.busy = ""
		u.forget()
		u.freeze(trackingOff, w.clock.now())
	}
	r.identity = strings.Join([]string{u.tx.typ.Maker, u.tx.typ.Name, u.config.Serial, u.build}, ",")
	locked := func(value func() string) func(*args) (string, error) {
		return answer(func() string {
			w.mu.Lock()
			defer w.mu.Unlock()
			return value()
		})
	}
	r.commands = append(r.commands, r.carrierCommands(locked)...)
	r.commands = append(r.commands, r.controlCommands()...)
	r.commands = append(r.commands,
		command{notation: ":OUTPut[:STATe]", set: r.output, get: locked(func() string { return digit(u.on) })},
		command{notation: ":SYSTem:REVision", get: answer(func() string { return scpi.Quote(u.config.Revision) })},
		command{notation: ":SYSTem:BUILd", set: r.load, get: locked(func() string { return scpi.Quote(u.build) })},
		command{notation: ":TEMPerature", get: locked(func() string {
			if r.fault == NotANumber {
				return scpi.FormatNumber(notANumber)
			}
			return fmt.Sprintf("%.1f", u.temperature(w.clock.now()))
		})},
	)
	return r
}

// carrierCommands are the settings of the carrier. Each is refused while the
// unit transmits or loads a build.
func (r *radio) carrierCommands(locked func(func() string) func(*args) (string, error)) []command {
	u, typ := r.unit, r.unit.tx.typ
	number := func(name, unit string, low, high float64, p func(*carrierSetting) *float64) command {
		var each [mostCarriers]command
		for i := range each {
			each[i] = numberCommand(":CARRier<n>:"+name, unit, low, high, p(&r.want[i]), nil)
		}
		c := each[0]
		c.set = r.tuning(name, func(a *args) error {
			if a.suffix < 1 || a.suffix > mostCarriers {
				return scpi.StandardError(-114, fmt.Sprintf("carriers 1 to %d", mostCarriers))
			}
			return each[a.suffix-1].set(a)
		})
		c.get = func(a *args) (string, error) {
			if a.suffix < 1 || a.suffix > mostCarriers {
				return "", scpi.StandardError(-114, fmt.Sprintf("carriers 1 to %d", mostCarriers))
			}
			return each[a.suffix-1].get(a)
		}
		return c
	}
	count := numberCommand(":CARRier:COUNt", "", 1, mostCarriers, &r.count, nil)
	count.set = r.tuning("COUNt", count.set)
	return []command{
		number("FREQuency", "HZ", float64(typ.Downlink.Low), float64(typ.Downlink.High), func(c *carrierSetting) *float64 { return &c.center }),
		number("BANDwidth", "HZ", 3e6, 100e6, func(c *carrierSetting) *float64 { return &c.bandwidth }),
		number("SCSPacing", "HZ", 15e3, 60e3, func(c *carrierSetting) *float64 { return &c.scs }),
		number("POWer", "DBM", 0, float64(typ.Rated)+1, func(c *carrierSetting) *float64 { return &c.power }),
		count,
		{
			notation: ":CARRier:TMODel", get: locked(func() string { return scpi.Quote(u.model) }),
			set: r.tuning("TMODel", func(a *args) error {
				name, err := a.text()
				if err == nil {
					err = a.end()
				}
				if err != nil {
					return err
				}
				for _, m := range testModels {
					if m == name {
						u.model = name
						return nil
					}
				}
				return scpi.StandardError(-224, fmt.Sprintf("no test model %.20q", name))
			}),
		},
		{
			notation: ":CARRier:DUPLex", get: locked(func() string { return u.duplex }),
			set: r.tuning("DUPLex", func(a *args) error {
				name, err := a.word("TDD|FDD")
				if err == nil {
					err = a.end()
				}
				if err == nil && name != typ.Duplex {
					err = scpi.StandardError(-224, fmt.Sprintf("%s is a %s unit", typ.Name, typ.Duplex))
				}
				if err == nil {
					u.duplex = name
				}
				return err
			}),
		},
	}
}

// tuning wraps a carrier setting: it is refused at the wrong time and
// remembered as made.
func (r *radio) tuning(name string, set func(*args) error) func(*args) error {
	return func(a *args) error {
		r.world.mu.Lock()
		defer r.world.mu.Unlock()
		switch {
		case r.unit.on:
			return conflict("the unit transmits; send :OUTPut OFF first")
		case r.unit.busy != "":
			return conflict("%s is running", r.unit.busy)
		case r.unit.timer && !r.unit.tx.typ.SelfTuning && retunes(name):
			return conflict("the transmit timer runs; send :TIMer OFF first")
		}
		if err := set(a); err != nil {
			return err
		}
		r.want[a.suffix-1].set[name] = true
		r.unit.carriers = nil
		for _, w := range r.want[:int(r.count)] {
			r.unit.carriers = append(r.unit.carriers, Carrier{rf.Hertz(w.center), rf.Hertz(w.bandwidth), rf.Hertz(w.scs), rf.DBm(w.power)})
		}
		return nil
	}
}

// retunes reports whether a carrier setting moves the oscillator or its filters.
func retunes(name string) bool {
	switch name {
	case "FREQuency", "BANDwidth", "SCSPacing", "COUNt":
		return true
	}
	return false
}

// forget drops the carrier configuration and all else that was set.
func (u *unit) forget() {
	u.carriers, u.model, u.duplex = nil, "", ""
	u.ports = make([]port, len(u.tx.chains))
	u.source, u.toneOffset, u.toneLevel, u.timer = sourceModel, defaultToneOffset, defaultToneLevel, true
	u.forgotten()
}

func (r *radio) forget() {
	r.want, r.count = [mostCarriers]carrierSetting{}, 1
	for i := range r.want {
		r.want[i].set = map[string]bool{}
	}
	r.unit.unset = func() (missing string) {
		if r.count != float64(int(r.count)) {
			return "the number of carriers is not whole"
		}
		for i, w := range r.want[:int(r.count)] {
			want := carrierSettings
			if i > 0 { // test model and duplex are those of the unit
				want -= 2
			}
			done := 0
			for name := range w.set {
				if name != "COUNt" {
					done++
				}
			}
			if done < want {
				return fmt.Sprintf("carrier %d is not configured: %d of %d settings", i+1, done, want)
			}
		}
		return ""
	}
}

// carrierSettings is how many settings make a carrier.
const carrierSettings = 6

// ready tells why a unit cannot transmit, or nil.
func (u *unit) ready() error {
	if u.busy != "" {
		return conflict("%s is running", u.busy)
	}
	if missing := u.unset(); missing != "" {
		return conflict("%s", missing)
	}
	if !u.bench.powered() {
		return conflict("no supply: %.1f V, want 48 V +-10 %%", u.bench.rail.actual)
	}
	if !u.locked() {
		return conflict("the synthesiser is not locked")
	}
	if sum := total(u.carriers); sum > u.tx.typ.Rated+1 {
		return conflict("carriers of %s together, at most %s", sum, u.tx.typ.Rated+1)
	}
	for _, c := range u.carriers {
		if _, err := nr.ResourceBlocks(c.Bandwidth, c.SCS); err != nil {
			return conflict("%v", err)
		}
		half := c.Bandwidth / 2
		if d := u.tx.typ.Downlink; c.Center-half < d.Low || c.Center+half > d.High {
			return conflict("the channel leaves the band")
		}
	}
	return nil
}

// centres writes the centres of all carriers.
func (u *unit) centres() string {
	var parts []string
	for _, c := range u.carriers {
		parts = append(parts, c.Center.String())
	}
	return strings.Join(parts, " + ")
}

// output switches all connectors together.
func (r *radio) output(a *args) error {
	on, err := a.boolean()
	if err == nil {
		err = a.end()
	}
	if err != nil {
		return err
	}
	w, u := r.world, r.unit
	w.mu.Lock()
	defer w.mu.Unlock()
	if !on {
		w.mute(u, "commanded")
		w.settle(u.bench)
		return nil
	}
	if err := u.ready(); err != nil {
		return err
	}
	if u.on {
		w.journal.note(u.config.Serial, "transmit on", "already")
		return nil
	}
	if u.tx.typ.SelfTuning {
		if err := u.prepare(w.clock.now()); err != nil {
			return err
		}
	}
	w.transmit(u)
	return nil
}

// load starts loading a build. The unit comes back with that build and without
// a carrier configuration.
func (r *radio) load(a *args) error {
	name, err := a.text()
	if err == nil {
		err = a.end()
	}
	if err != nil {
		return err
	}
	w, u := r.world, r.unit
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case u.on:
		return conflict("the unit transmits; send :OUTPut OFF first")
	case u.busy != "":
		return conflict("%s is running", u.busy)
	case !w.builds[name]:
		return scpi.StandardError(-224, fmt.Sprintf("no build %.20q", name))
	}
	u.busy = loading
	r.note("build", "loading %s", name)
	r.begin(buildLoad.Seconds(), func() func() {
		return func() {
			w.mu.Lock()
			defer w.mu.Unlock()
			u.busy, u.build = "", name
			u.forget()
			u.boot()
			r.identity = strings.Join([]string{u.tx.typ.Maker, u.tx.typ.Name, u.config.Serial, name}, ",")
			r.note("build", "%s", name)
		}
	})
	return nil
}
