package sim

import (
	"fmt"
	"strconv"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// Where the generator's cable can be besides a channel of the bench.
const (
	nowhere = 0
	atMeter = -1
)

// Fixture stands for the hands of the person at a bench: where the generator's
// cable is and, on a bench without switch matrix, where the measuring cable is
// and which connectors are terminated. Channels are slot*100 + connector. It is
// an instrument too, "bench-1-fixture", for programs that only speak SCPI:
//
//	:FIXTure:GENerator "METer"|"NONE"|"101"   the generator joined to the power meter, nothing, a path
//	:FIXTure:CABLe "NONE"|"101"               the measuring cable (benches without switch matrix)
//	:FIXTure:TERMination 101,ON|OFF           a termination on a connector; :FIXTure:TERMination? 101
//
// A generator on a channel feeds the path from that connector to the analyzer;
// it is joined to the connector, which is thereby terminated, and takes the power
// of a unit that transmits there.
type Fixture struct {
	world *world
	bench *bench
}

// Fixture returns the hands at a bench. Unknown benches are errors.
func (l *Lab) Fixture(bench string) (*Fixture, error) {
	b, ok := l.world.benches[bench]
	if !ok {
		return nil, fmt.Errorf("sim: no bench %q", bench)
	}
	return &Fixture{l.world, b}, nil
}

// Generator takes the generator's cable to "METer", "NONE" or a channel such as
// "101". Other places are errors.
func (f *Fixture) Generator(where string) error {
	to, err := f.place(where, true)
	if err != nil {
		return err
	}
	f.world.mu.Lock()
	defer f.world.mu.Unlock()
	f.note("generator", f.bench.plug, to)
	f.bench.plug = to
	f.world.settle(f.bench)
	return nil
}

// Cable takes the measuring cable of a bench without switch matrix to "NONE" or
// a channel. A termination that is there comes off; where the cable was the
// connector stays open. Benches with a switch matrix have no such cable.
func (f *Fixture) Cable(where string) error {
	to, err := f.place(where, false)
	if err != nil {
		return err
	}
	f.world.mu.Lock()
	defer f.world.mu.Unlock()
	if !f.bench.config.Manual {
		return conflict("%s has a switch matrix and no loose cable", f.bench.name)
	}
	f.note("cable", f.bench.closed, to)
	f.bench.closed = to
	delete(f.bench.covered, to)
	f.world.settle(f.bench)
	return nil
}

// Terminate puts a termination on a connector, or takes it off. Where a cable is
// there is no room for one.
func (f *Fixture) Terminate(channel int, on bool) error {
	b := f.bench
	if _, ok := b.paths[channel]; !ok {
		return noChannel(b)
	}
	f.world.mu.Lock()
	defer f.world.mu.Unlock()
	if on && b.config.Manual && b.closed == channel {
		return conflict("the measuring cable is on %d", channel)
	}
	b.covered[channel] = on
	f.world.journal.note(b.name+"-fixture", "termination", "%d %s", channel, map[bool]string{true: "on", false: "off"}[on])
	f.world.settle(b)
	return nil
}

// note writes down a cable that moves, and that it did so under power.
func (f *Fixture) note(what string, from, to int) {
	b, name := f.bench, f.bench.name+"-fixture"
	for _, at := range []int{from, to} {
		if u, connector := b.at(at); u != nil && from != to && f.world.emission(u, connector) != nil {
			f.world.journal.note(name, "hot switch", "%s %s to %s while transmitting", what, placeName(from), placeName(to))
			break
		}
	}
	f.world.journal.note(name, what, "%s", placeName(to))
}

// place reads where a cable shall go.
func (f *Fixture) place(where string, meter bool) (int, error) {
	switch {
	case scpi.MatchWord("NONE", where):
		return nowhere, nil
	case meter && scpi.MatchWord("METer", where):
		return atMeter, nil
	}
	channel, err := strconv.Atoi(where)
	if _, ok := f.bench.paths[channel]; err != nil || !ok {
		return 0, noChannel(f.bench)
	}
	return channel, nil
}

func noChannel(b *bench) error {
	return scpi.StandardError(-224, fmt.Sprintf("want METer, NONE or a channel of %s, slot*100 + connector", b.name))
}

// placeName writes a place as place reads it.
func placeName(at int) string {
	switch at {
	case nowhere:
		return "NONE"
	case atMeter:
		return "MET"
	}
	return strconv.Itoa(at)
}

// terminated reports whether something takes what a connector sends. A switch
// matrix terminates all that it has not closed.
func (b *bench) terminated(channel int) bool {
	return !b.config.Manual || b.closed == channel || b.plug == channel || b.covered[channel]
}

// path returns the path of a connector. The one cable of a bench without switch
// matrix is the same at every connector of a slot.
func (b BenchConfig) path(seed uint64, slot, connector int) path {
	if b.Manual {
		return newPath(seed, b.Name, b.Pads[slot-1], 0, 0)
	}
	return newPath(seed, b.Name, b.Pads[slot-1], slot, connector)
}

// defaultReverse is what a generator's output stands (common practice, no source).
const defaultReverse rf.DBm = 27

func (b BenchConfig) reverse() rf.DBm {
	if b.Reverse == 0 {
		return defaultReverse
	}
	return b.Reverse
}

// hands are the instrument that a fixture is to programs.
type hands struct {
	*device
	fixture *Fixture
}

func newHands(w *world, b *bench) *hands {
	h := &hands{newDevice(b.name+"-fixture", identity("Hands", "FX", b.name), w), &Fixture{w, b}}
	h.commands = append(h.commands,
		h.cable(":FIXTure:GENerator", h.fixture.Generator, func() int { return b.plug }),
		h.cable(":FIXTure:CABLe", h.fixture.Cable, func() int { return b.closed }),
		command{
			notation: ":FIXTure:TERMination",
			set: func(a *args) error {
				channel, err := a.integer(0, 9999)
				if err != nil {
					return err
				}
				on, err := a.boolean()
				if err == nil {
					err = a.end()
				}
				if err != nil {
					return err
				}
				return h.fixture.Terminate(channel, on)
			},
			get: func(a *args) (string, error) {
				channel, err := a.integer(0, 9999)
				if err != nil {
					return "", err
				}
				if _, ok := b.paths[channel]; !ok {
					return "", noChannel(b)
				}
				w.mu.Lock()
				defer w.mu.Unlock()
				return digit(b.terminated(channel)), a.end()
			},
		},
	)
	return h
}

// cable is the command that moves one.
func (h *hands) cable(notation string, move func(string) error, at func() int) command {
	return command{
		notation: notation,
		set: func(a *args) error {
			where, err := a.text()
			if err == nil {
				err = a.end()
			}
			if err != nil {
				return err
			}
			return move(where)
		},
		get: answer(func() string {
			h.world.mu.Lock()
			defer h.world.mu.Unlock()
			return scpi.Quote(placeName(at()))
		}),
	}
}
