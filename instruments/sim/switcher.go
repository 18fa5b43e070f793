package sim

import (
	"strings"

	"benchyard/instruments/scpi"
)

// switcher is the switch matrix of a bench: every connector of every slot to
// one common output, the analyzer. Open inputs are terminated.
type switcher struct {
	*device
	bench *bench
}

func newSwitcher(w *world, b *bench) *switcher {
	s := &switcher{newDevice(b.name+"-switcher", identity("Matrix 8x8", "SM", b.name), w), b}
	s.device.reset = func() { s.route(0) }
	s.commands = append(s.commands,
		command{notation: ":ROUTe:CLOSe", set: s.close, get: s.list(true)},
		command{notation: ":ROUTe:OPEN", set: s.open, get: s.list(false)},
		command{notation: ":ROUTe:OPEN:ALL", set: event(func() error {
			s.route(0)
			return nil
		})},
	)
	return s
}

// valid takes a channel list and checks that all of it exists.
func (s *switcher) valid(a *args) ([]int, error) {
	channels, err := a.channels()
	if err != nil {
		return nil, err
	}
	for _, c := range channels {
		if _, ok := s.bench.paths[c]; !ok {
			return nil, scpi.StandardError(-222, "no such channel; channels are slot*100 + connector")
		}
	}
	return channels, a.end()
}

// close closes one path. The common output takes one input: a second one is a
// conflict, and the first stays closed.
func (s *switcher) close(a *args) error {
	channels, err := s.valid(a)
	if err != nil {
		return err
	}
	for _, c := range channels {
		if closed := s.closed(); closed != 0 && closed != c || c != channels[0] {
			return conflict("channel %d holds the common output", max(closed, channels[0]))
		}
	}
	if len(channels) > 0 {
		s.route(channels[0])
	}
	return nil
}

func (s *switcher) open(a *args) error {
	channels, err := s.valid(a)
	if err != nil {
		return err
	}
	for _, c := range channels {
		if s.closed() == c {
			s.route(0)
		}
	}
	return nil
}

// list answers which channels are closed (or open), 1 and 0 in the order asked.
func (s *switcher) list(closed bool) func(*args) (string, error) {
	return func(a *args) (string, error) {
		channels, err := s.valid(a)
		if err != nil {
			return "", err
		}
		var out []string
		for _, c := range channels {
			out = append(out, digit((s.closed() == c) == closed))
		}
		return strings.Join(out, ","), nil
	}
}

func (s *switcher) closed() int {
	s.world.mu.Lock()
	defer s.world.mu.Unlock()
	return s.bench.closed
}

// route moves the common output to a channel, 0 terminating all. Moving it
// under power wears contacts, which the journal records.
func (s *switcher) route(to int) {
	w, b := s.world, s.bench
	w.mu.Lock()
	defer w.mu.Unlock()
	if b.closed == to {
		s.note("route", "%d already", to)
		return
	}
	from, _ := b.routed()
	old := b.closed
	b.closed = to
	if onto, _ := b.routed(); from != nil && from.on || onto != nil && onto.on {
		s.note("hot switch", "%d to %d while transmitting", old, to)
	}
	s.note("route", "%d", to)
	w.settle(b)
}
