package sim

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sync"

	"benchyard/instruments/nr"
)

// world is the physical state of the lab: who transmits, which path is closed,
// what the supplies give. Instruments change it and look at it under its lock;
// it never calls back into an instrument.
type world struct {
	mu      sync.Mutex
	clock   clock
	journal *journal
	benches map[string]*bench
	units   map[string]*unit
	builds  map[string]bool // that can be loaded
	// analyzers names the bench of every analyzer.
	analyzers map[string]*bench
}

// bench is one bench: slots, paths, the supply rail and the closed route.
type bench struct {
	config   BenchConfig
	name     string
	host     *bench       // whose analyzer this bench has; mostly itself
	guests   []*bench     // what feeds its analyzer, itself first; none without one
	units    []*unit      // by slot, nil where empty
	paths    map[int]path // by channel, slot*100 + connector
	closed   int          // channel closed to the analyzer, 0: all terminated
	rail     rail
	changes  uint64          // counts what an analyzer would see change
	changed  float64         // when it last did, simulated seconds
	bypass   bool            // the pads are missing
	source   source          // what the generator gives
	plug     int             // where the generator's cable is: a channel, atMeter or nowhere
	covered  map[int]bool    // connectors that somebody has terminated, by channel
	strained map[string]bool // what is beyond its limits now
	damage   []damage
}

// damage is one occasion on which something got more than it can stand.
type damage struct{ instrument, text string }

// rail is the supply output that feeds every slot.
type rail struct {
	volts, amps     float64 // settings
	on              bool
	actual, current float64 // at the terminals
}

// unit is one radio unit in its slot.
type unit struct {
	config    UnitConfig
	tx        *transmitter
	bench     *bench
	build     string
	busy      string    // what keeps it from other things, empty when nothing does
	carriers  []Carrier // that it is configured for, the first by suffix first
	model     string    // test model
	duplex    string
	unset     func() string // what the carriers still lack
	forgotten func()        // drops the carrier settings
	ports     []port        // by connector
	source    string        // sourceModel or sourceTone
	// toneOffset is from the oscillator, Hz; toneLevel over full scale, dB. A tone
	// of full scale has the mean power of the carriers.
	toneOffset, toneLevel float64
	timer                 bool // the air frame runs: without it no test model comes out
	synthesis             synthesis
	troubles              map[Trouble]bool
	on                    bool
	started               float64 // when it last had no supply, simulated seconds
	heat                  thermal // of the amplifier: 0 cold, 1 warm
	housing               thermal // of the housing, 0 to 1
}

// thermal follows a target exponentially.
type thermal struct{ tau, value, target, since float64 }

// at returns the value at a time.
func (t thermal) at(now float64) float64 {
	return t.target + (t.value-t.target)*math.Exp(-(now-t.since)/t.tau)
}

// aim sets a new target from now on.
func (t *thermal) aim(target, now float64) {
	t.value, t.since, t.target = t.at(now), now, target
}

// Electrical figures of every radio unit and its rail.
const (
	nominalVolts   = 48.0
	voltsTolerance = 0.10 // units run within 48 V +-10 %
	idleWatts      = 40.0
	efficiency     = 0.35 // radio frequency power over the supply power it takes
	peakRatio      = 10.0 // peak over average of the carrier, dB
)

// newWorld builds the state in which a lab starts: everything off and open.
func newWorld(c Config, k clock, j *journal) (*world, error) {
	w := &world{clock: k, journal: j, benches: map[string]*bench{}, units: map[string]*unit{}, analyzers: map[string]*bench{}, builds: map[string]bool{}}
	for _, name := range c.Builds {
		w.builds[name] = true
	}
	for _, b := range c.Benches {
		w.benches[b.Name] = &bench{
			config: b, name: b.Name, units: make([]*unit, len(b.Pads)), paths: map[int]path{},
			source: newSource(c.Seed, b.Name), covered: map[int]bool{}, strained: map[string]bool{},
		}
		for slot := 1; slot <= len(b.Pads); slot++ {
			for connector := 1; connector <= maxConnectors; connector++ {
				w.benches[b.Name].paths[channel(slot, connector)] = b.path(c.Seed, slot, connector)
			}
		}
	}
	for _, b := range c.Benches {
		host := w.benches[cmp.Or(b.Analyzer, b.Name)]
		w.benches[b.Name].host, w.analyzers[host.name+"-analyzer"] = host, host
		host.guests = append(host.guests, w.benches[b.Name])
	}
	for _, u := range c.Units {
		tx, err := newTransmitter(c, u)
		if err != nil {
			return nil, err
		}
		b := w.benches[u.Bench]
		unit := &unit{
			config: u, tx: tx, bench: b, build: u.Build,
			heat: thermal{tau: 30}, housing: thermal{tau: 300}, troubles: map[Trouble]bool{},
		}
		for _, t := range u.Troubles {
			unit.troubles[t] = true
		}
		b.units[u.Slot-1], w.units[u.Serial] = unit, unit
	}
	return w, nil
}

// channel returns the switch matrix channel of a connector.
func channel(slot, connector int) int { return slot*100 + connector }

// routed returns the unit and connector closed to the analyzer, or nil.
func (b *bench) routed() (*unit, int) { return b.at(b.closed) }

// at returns the unit and connector of a channel, nil where there is none.
func (b *bench) at(channel int) (*unit, int) {
	slot, connector := channel/100, channel%100
	if channel <= 0 || b.units[slot-1] == nil || connector > len(b.units[slot-1].tx.chains) {
		return nil, 0
	}
	return b.units[slot-1], connector
}

// emission returns what a unit's connector sends out now, nil when silent.
func (w *world) emission(u *unit, connector int) *emission {
	if u == nil || !u.on || u.ports[connector-1].off {
		return nil
	}
	e, err := u.tx.emission(u.drive(connector, w.clock.now()))
	if err != nil {
		return nil // a carrier that cannot exist was refused when it was configured
	}
	return e
}

// view is what an analyzer has before it at one moment.
type view struct {
	scene   scene
	input   float64 // power at the analyzer input while on, mW
	crest   float64 // its peak over its average, dB
	period  float64 // spacing of the frame trigger, s
	changes uint64
	changed float64
}

// look returns the view of a bench's analyzer.
func (w *world) look(b *bench) view {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.see(b)
}

// see returns the view of the analyzer of a bench: the strongest of what feeds it.
func (w *world) see(b *bench) view {
	var all view
	for i, guest := range b.host.guests {
		v := w.feed(guest)
		if changes := all.changes + v.changes; i == 0 || v.input > all.input {
			changed := max(all.changed, v.changed)
			all = v
			all.changes, all.changed = changes, changed
		} else {
			all.changes, all.changed = changes, max(all.changed, v.changed)
		}
	}
	return all
}

// feed returns what a bench sends to its analyzer.
func (w *world) feed(b *bench) view {
	v := view{period: nr.Frame.Seconds(), changes: b.changes, changed: b.changed}
	u, connector := b.routed()
	leak := w.leak(b, u)
	if b.closed == 0 {
		if v.scene = leak; leak.emission != nil {
			v.input = leak.emission.through(leak.path)
		}
		return v
	}
	v.scene = scene{emission: w.emission(u, connector), path: b.paths[b.closed]}
	if b.bypass {
		v.scene.path.pad = 0
	}
	if v.scene.emission != nil && u.modulated() {
		v.crest = peakRatio
		if u.duplex == "TDD" {
			// Carriers of every spacing go on and off together: the patterns end after the same time.
			if p, err := nr.TDDPattern(u.carriers[0].SCS); err == nil {
				v.scene.burst = burst{p.Period.Seconds(), p.On.Seconds()}
				v.period = p.Period.Seconds()
			}
		}
	}
	if b.plug == b.closed {
		v.scene.emission = v.scene.emission.joined(b.source)
	}
	v.scene.emission = v.scene.emission.with(leak.emission)
	if v.scene.emission != nil {
		v.input = v.scene.emission.through(v.scene.path)
	}
	return v
}

// settle works out what follows from a change on a bench: what the rail gives,
// which units lose their supply, what reaches the analyzer. The lock is held.
func (w *world) settle(b *bench) {
	b.changes++
	b.changed = w.clock.now()
	w.load(b)
	if !b.powered() {
		for _, u := range b.units {
			if u == nil {
				continue
			}
			if u.on {
				w.mute(u, "supply lost")
			}
			u.boot()
			u.started = b.changed
		}
		w.load(b)
	}
	for _, u := range b.units {
		if u != nil {
			u.warm(b.changed)
		}
	}
	w.protect(b)
}

// protect writes down what gets more than it can stand: the analyzer, the
// generator from a unit it is joined with, and connectors that transmit into
// nothing where no switch matrix terminates them.
func (w *world) protect(b *bench) {
	v := w.see(b)
	average, safe := decibels(v.input), b.host.config.MaxInput
	w.strain(b.host, b.host.name+"-analyzer", "", average+v.crest > float64(safe),
		fmt.Sprintf("%.1f dBm average, %.1f dBm peak at the input, safe is %s", average, average+v.crest, safe))
	w.strain(b.host, b.host.name+"-analyzer", "input ", w.feeding(b.host) > 1, "fed by several benches at once")
	reverse := 0.0
	if u, connector := b.at(b.plug); u != nil {
		if e := w.emission(u, connector); e != nil {
			reverse = e.total()
		}
	}
	w.strain(b, b.name+"-generator", "", decibels(reverse) > float64(b.config.reverse()),
		fmt.Sprintf("%.1f dBm into the output, safe is %s", decibels(reverse), b.config.reverse()))
	for slot, u := range b.units {
		if u == nil {
			continue
		}
		for i, p := range u.ports {
			open := u.on && !p.off && !b.terminated(channel(slot+1, i+1))
			w.strain(b, u.config.Serial, fmt.Sprintf("connector %d ", i+1), open, "transmits without termination")
		}
	}
}

// feeding returns how many benches send something to an analyzer.
func (w *world) feeding(host *bench) int {
	n := 0
	for _, guest := range host.guests {
		if w.feed(guest).input > 0 {
			n++
		}
	}
	return n
}

// strain writes down that a part of an instrument gets more than it can stand,
// once each time that it begins.
func (w *world) strain(b *bench, instrument, part string, over bool, detail string) {
	key := instrument + " " + part
	if over && !b.strained[key] {
		b.damage = append(b.damage, damage{instrument, fmt.Sprintf("%s: %s%s, at %.3f s", instrument, part, detail, b.changed)})
		w.journal.note(instrument, "damage", "%s%s", part, detail)
	}
	b.strained[key] = over
}

// damaged reports whether an instrument of the bench has been damaged.
func (b *bench) damaged(instrument string) bool {
	return slices.ContainsFunc(b.damage, func(d damage) bool { return d.instrument == instrument })
}

// load works out voltage and current of the rail.
func (w *world) load(b *bench) {
	b.rail.actual, b.rail.current = 0, 0
	if !b.rail.on {
		return
	}
	watts := 0.0
	for _, u := range b.units {
		if u == nil {
			continue
		}
		watts += idleWatts + u.watts()
	}
	b.rail.actual = b.rail.volts
	if b.rail.volts > 0 {
		b.rail.current = watts / b.rail.volts
	}
	if b.rail.current > b.rail.amps { // constant current: the voltage gives way
		b.rail.actual *= b.rail.amps / b.rail.current
		b.rail.current = b.rail.amps
		w.journal.note(b.name+"-supply", "current limit", "%.2f A, voltage down to %.1f V", b.rail.amps, b.rail.actual)
	}
}

// bypass takes the pads of a bench out of its paths, or puts them back.
func (w *world) bypass(b *bench, missing bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	b.bypass = missing
	w.settle(b)
}

// powered reports whether the rail can run radio units.
func (b *bench) powered() bool {
	return b.rail.on && math.Abs(b.rail.actual-nominalVolts) <= nominalVolts*voltsTolerance
}

// transmit switches every connector of a unit on.
func (w *world) transmit(u *unit) {
	w.journal.note(u.config.Serial, "transmit on", "%s, %s, build %s", u.centres(), total(u.carriers), u.build)
	u.on = true
	w.settle(u.bench)
}

// mute switches every connector of a unit off; reason goes to the journal.
func (w *world) mute(u *unit, reason string) {
	if !u.on {
		w.journal.note(u.config.Serial, "transmit off", "already")
		return
	}
	u.on = false
	w.journal.note(u.config.Serial, "transmit off", "%s", reason)
}
