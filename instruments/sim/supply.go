package sim

import (
	"fmt"

	"benchyard/instruments/scpi"
)

// supply is the DC supply of a bench. Its output is the rail of every slot.
type supply struct {
	*device
	bench                   *bench
	volts, amps, protection float64 // settings
	on                      bool
}

func newSupply(w *world, b *bench) *supply {
	s := &supply{device: newDevice(b.name+"-supply", identity("Rail 60", "PS", b.name), w), bench: b}
	limits := b.config.Supply
	s.protection = limits.MaxVolts * overProtection
	s.device.reset = func() {
		s.volts, s.amps, s.protection, s.on = 0, 0, limits.MaxVolts*overProtection, false
		s.output()
	}
	changed := func(float64) error {
		s.apply()
		return nil
	}
	s.commands = append(s.commands,
		numberCommand("[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "V", 0, limits.MaxVolts, &s.volts, changed),
		numberCommand("[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]", "A", 0, limits.MaxAmps, &s.amps, changed),
		numberCommand("[:SOURce]:VOLTage:PROTection[:LEVel]", "V", 0, limits.MaxVolts*overProtection, &s.protection, changed),
		boolCommand(":OUTPut[:STATe]", &s.on, s.output),
		command{notation: ":MEASure[:SCALar]:VOLTage[:DC]", get: s.measure(func(r rail) float64 { return r.actual })},
		command{notation: ":MEASure[:SCALar]:CURRent[:DC]", get: s.measure(func(r rail) float64 { return r.current })},
	)
	return s
}

// overProtection is how far above the greatest voltage the protection can be set.
const overProtection = 1.1

// output switches the rail.
func (s *supply) output() {
	if s.on {
		s.note("output on", "%g V, %g A", s.volts, s.amps)
	} else {
		s.note("output off", "")
	}
	s.apply()
}

// apply carries the settings to the rail. A set voltage above the protection
// level trips the output first.
func (s *supply) apply() {
	if s.on && s.volts > s.protection {
		s.on = false
		s.note("protection", "%g V is above %g V", s.volts, s.protection)
	}
	s.world.mu.Lock()
	defer s.world.mu.Unlock()
	s.bench.rail.volts, s.bench.rail.amps, s.bench.rail.on = s.volts, s.amps, s.on
	s.world.settle(s.bench)
}

// measure answers a reading of the rail with the resolution of a real meter.
func (s *supply) measure(value func(rail) float64) func(*args) (string, error) {
	return func(a *args) (string, error) {
		if s.fault == NotANumber {
			return scpi.FormatNumber(notANumber), a.end()
		}
		s.world.mu.Lock()
		defer s.world.mu.Unlock()
		return fmt.Sprintf("%.4E", value(s.bench.rail)), a.end()
	}
}
