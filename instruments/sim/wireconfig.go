package sim

import (
	"fmt"
	"hash/fnv"
	"maps"
	"math/rand/v2"
	"slices"
	"time"
)

// WireConfig is how one instrument behaves on the wire. The zero value is the
// usual socket server: it answers in order, whatever the controller does.
type WireConfig struct {
	HiSLIP      bool      `json:"hislip,omitempty"`       // the inventory names its HiSLIP port in place of the socket
	Strict      bool      `json:"strict,omitempty"`       // 488.2 message exchange on the socket too: an answer that was not fetched is lost
	InputBytes  int       `json:"input_bytes,omitempty"`  // longest program message of the socket; zero means 65536
	OutputBytes int       `json:"output_bytes,omitempty"` // answers a strict instrument holds; zero means 65536
	IdleSeconds float64   `json:"idle_s,omitempty"`       // a message without terminator is executed after so much wall time; zero: never
	OneClient   bool      `json:"one_client,omitempty"`   // a second connection waits unanswered until the first has ended
	Fault       WireFault `json:"fault,omitempty"`        // from the start
	Rate        float64   `json:"rate,omitempty"`         // if set, the fault spoils this share of the answers, drawn from the seed
}

// everyInstrument is the key of Config.Wire for instruments it does not name.
const everyInstrument = "*"

// wire returns how an instrument behaves.
func (c Config) wire(instrument string) WireConfig {
	if w, ok := c.Wire[instrument]; ok {
		return w
	}
	return c.Wire[everyInstrument]
}

// validate reports what makes no sense.
func (w WireConfig) validate() error {
	switch {
	case !w.Fault.valid():
		return fmt.Errorf("no wire fault %q", w.Fault)
	case w.InputBytes < 0 || w.OutputBytes < 0 || !(w.IdleSeconds >= 0 && w.IdleSeconds <= 3600):
		return fmt.Errorf("input %d, output %d bytes and %g s idle must not be negative, nor idle longer than an hour", w.InputBytes, w.OutputBytes, w.IdleSeconds)
	case !(w.Rate >= 0 && w.Rate <= 1):
		return fmt.Errorf("rate %g, want a share from 0 to 1", w.Rate)
	case w.Rate > 0 && !w.Fault.spoilsAnswers():
		return fmt.Errorf("fault %q does not spoil answers one by one, so it has no rate", w.Fault)
	}
	return nil
}

// idle is IdleSeconds as a duration.
func (w WireConfig) idle() time.Duration { return time.Duration(w.IdleSeconds * float64(time.Second)) }

// seldom is a fault that comes by chance.
type seldom struct {
	fault  WireFault
	rate   float64
	random *rand.Rand
}

// behave gives a device its behaviour on the wire.
func (d *device) behave(w WireConfig, seed uint64) {
	d.profile = w
	if w.Rate == 0 {
		d.fault = w.Fault
		return
	}
	h := fnv.New64a()
	h.Write([]byte(d.name))
	d.often = seldom{w.Fault, w.Rate, rand.New(rand.NewPCG(seed, h.Sum64()))}
}

// strikes draws whether the fault comes now.
func (s *seldom) strikes() bool { return s.random != nil && s.random.Float64() < s.rate }

// validateWire reports behaviour that makes no sense. Names are checked when the
// lab starts, since only then all instruments are known.
func (c Config) validateWire() error {
	for _, name := range slices.Sorted(maps.Keys(c.Wire)) {
		if err := c.Wire[name].validate(); err != nil {
			return fmt.Errorf("sim: wire of %s: %w", name, err)
		}
	}
	if c.HiSLIPPort < 0 || c.HiSLIPPort > 65535 {
		return fmt.Errorf("sim: first HiSLIP port %d, want 1 to 65535, or 0 for any free ones", c.HiSLIPPort)
	}
	return nil
}

// wireNames reports behaviour of an instrument that the lab does not have.
func (c Config) wireNames(devices map[string]*device) error {
	for _, name := range slices.Sorted(maps.Keys(c.Wire)) {
		if name != everyInstrument && devices[name] == nil {
			return fmt.Errorf("sim: wire names unknown instrument %q, want a name of the inventory, a serial number or %q", name, everyInstrument)
		}
	}
	return nil
}
