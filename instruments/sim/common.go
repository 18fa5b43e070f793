package sim

import (
	"math"
	"strconv"
	"strings"

	"benchyard/instruments/scpi"
)

// answer returns a get function for a value without parameters.
func answer(value func() string) func(*args) (string, error) {
	return func(a *args) (string, error) {
		if err := a.end(); err != nil {
			return "", err
		}
		return value(), nil
	}
}

// event returns a set function for a command without parameters.
func event(do func() error) func(*args) error {
	return func(a *args) error {
		if err := a.end(); err != nil {
			return err
		}
		return do()
	}
}

// common returns the common commands of 488.2 clause 10 and the SYSTem tree.
// *RST leaves status and queue alone (10.32); *CLS and *RST forget a waiting *OPC.
func (d *device) common() []command {
	s := &d.status
	return []command{
		{notation: "*IDN", get: answer(d.identify), free: true},
		{notation: "*OPT", get: answer(func() string { return "0" }), free: true},
		{notation: "*TRG", set: event(func() error { return d.trigger() })},
		{notation: "*RST", set: event(func() error {
			d.abort()
			d.armed = false
			d.reset()
			return nil
		})},
		{notation: "*CLS", set: event(func() error {
			s.clear()
			d.armed = false
			return nil
		})},
		{notation: "*OPC", set: event(func() error {
			if d.pending != nil {
				d.armed = true
			} else {
				s.event |= eventOperation
			}
			return nil
		})},
		{notation: "*OPC", get: answer(func() string { return "1" }), wait: true},
		{notation: "*WAI", set: event(func() error { return nil }), wait: true},
		{notation: "*ESR", get: answer(func() string {
			events := s.event
			s.event = 0
			return strconv.Itoa(int(events))
		})},
		byteCommand("*ESE", &s.eventEnable, 0xFF),
		byteCommand("*SRE", &s.requestEnable, 0xFF&^statusMaster),
		{notation: "*STB", get: func(a *args) (string, error) {
			return strconv.Itoa(int(s.summary(a.waiting))), a.end()
		}},
		{notation: "*TST", get: answer(func() string { return strconv.Itoa(d.test()) })},
		{notation: ":SYSTem:VERSion", get: answer(func() string { return "1999.0" })},
		{notation: ":SYSTem:ERRor[:NEXT]", get: answer(func() string { return d.nextError().Entry() })},
		{notation: ":SYSTem:ERRor:COUNt", get: answer(func() string { return strconv.Itoa(len(s.queue)) })},
		{notation: ":SYSTem:ERRor:ALL", get: answer(s.drain)},
	}
}

// nextError takes the oldest error; while that fault is injected there is always one.
func (d *device) nextError() *scpi.Error {
	if d.fault == EndlessErrors {
		return scpi.StandardError(-310, "of which there is no end")
	}
	return d.status.pop()
}

// drain answers and empties the whole error queue.
func (s *status) drain() string {
	entries := []string{s.pop().Entry()}
	for len(s.queue) > 0 {
		entries = append(entries, s.pop().Entry())
	}
	return strings.Join(entries, ",")
}

// identify answers *IDN?, or as somebody else while that fault is injected.
func (d *device) identify() string {
	if d.fault == WrongIdentity {
		return "Somebody Else,Another Model,0000,0.0"
	}
	return d.identity
}

// byteCommand is an enable register of 488.2: 0 to 255, bits outside keep ignored.
func byteCommand(notation string, p *byte, keep byte) command {
	return bitsCommand(notation, p, math.MaxUint8, keep)
}

// statusTree returns the STATus subsystem (SCPI-1999 vol. 2, chapter 20).
func (d *device) statusTree() []command {
	s := &d.status
	commands := []command{{notation: ":STATus:PRESet", set: event(func() error { s.preset(); return nil })}}
	for name, r := range map[string]*register{":STATus:OPERation": &s.operation, ":STATus:QUEStionable": &s.questionable} {
		commands = append(commands,
			command{notation: name + "[:EVENt]", get: answer(func() string { return strconv.Itoa(int(r.read())) })},
			command{notation: name + ":CONDition", get: answer(func() string { return strconv.Itoa(int(r.condition)) })},
			wordCommand(name+":ENABle", &r.enable),
			wordCommand(name+":PTRansition", &r.rise),
			wordCommand(name+":NTRansition", &r.fall),
		)
	}
	return commands
}

// wordCommand is a 16-bit mask whose bit 15 is always zero.
func wordCommand(notation string, p *uint16) command {
	return bitsCommand(notation, p, math.MaxUint16, mask)
}

// bitsCommand is a register set with a number up to most, of which keep is kept.
func bitsCommand[T byte | uint16](notation string, p *T, most int, keep T) command {
	return command{
		notation: notation,
		set: func(a *args) error {
			v, err := a.integer(0, most)
			if err == nil {
				err = a.end()
			}
			if err == nil {
				*p = T(v) & keep
			}
			return err
		},
		get: answer(func() string { return strconv.Itoa(int(*p)) }),
	}
}

// numberCommand is a setting in unit between low and high. changed, which may be
// nil, runs after a new value is stored and may refuse it with an error.
func numberCommand(notation, unit string, low, high float64, p *float64, changed func(old float64) error) command {
	return command{
		notation: notation,
		set: func(a *args) error {
			v, err := a.number(unit, low, high)
			if err == nil {
				err = a.end()
			}
			if err != nil {
				return err
			}
			old := *p
			*p = v
			if changed == nil {
				return nil
			}
			if err := changed(old); err != nil {
				*p = old
				return err
			}
			return nil
		},
		get: func(a *args) (string, error) { return queried(a, *p, low, high) },
	}
}

// queried answers a number, or its limit when the query asks for MINimum or MAXimum.
func queried(a *args, value, low, high float64) (string, error) {
	if len(a.params) > 0 {
		v, ok := extreme(a.params[0], low, high)
		if !ok {
			return "", scpi.StandardError(-224, "want MINimum or MAXimum")
		}
		a.params = a.params[1:]
		value = v
	}
	return scpi.FormatNumber(value), a.end()
}

// choiceCommand is a setting out of choices, kept in its short form. changed may be nil.
func choiceCommand(notation, choices string, p *string, changed func()) command {
	return command{
		notation: notation,
		set: func(a *args) error {
			v, err := a.word(choices)
			if err == nil {
				err = a.end()
			}
			if err == nil {
				*p = v
				if changed != nil {
					changed()
				}
			}
			return err
		},
		get: answer(func() string { return *p }),
	}
}

// boolCommand is a switch. changed may be nil.
func boolCommand(notation string, p *bool, changed func()) command {
	return command{
		notation: notation,
		set: func(a *args) error {
			v, err := a.boolean()
			if err == nil {
				err = a.end()
			}
			if err == nil {
				*p = v
				if changed != nil {
					changed()
				}
			}
			return err
		},
		get: answer(func() string { return digit(*p) }),
	}
}

// digit answers a switch as SCPI does: 1 or 0.
func digit(on bool) string {
	if on {
		return "1"
	}
	return "0"
}
