package sim

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"benchyard/instruments/rf"
)

// Roles of bench instruments, as an inventory names them.
const (
	roleAnalyzer  = "analyzer"
	roleGenerator = "generator"
	roleSupply    = "supply"
	roleSwitcher  = "switcher"
	roleMeter     = "power meter"
)

// maker is what every instrument of the lab says of its manufacturer.
const maker = "Invented Instruments"

// identity is the answer of a bench instrument to *IDN?.
func identity(model, prefix, bench string) string {
	return strings.Join([]string{maker, model, prefix + "-" + bench, "1.0"}, ",")
}

// Lab is a running simulated lab.
type Lab struct {
	config  Config
	world   *world
	cancel  context.CancelFunc
	owner   sync.WaitGroup
	devices map[string]*device
	servers []*server // sockets, in the order of build
	hislips []*server // HiSLIP ports in the same order
	shells  []*server // command lines of radio units
	closed  sync.Once
}

// Start opens every instrument's port and serves until ctx ends or Close is
// called. The journal gets one JSON line per event (JournalEntry), written at
// once; nil keeps none. With Config.BasePort set, instruments take consecutive
// ports in the order of the configuration: analyzer (unless shared with a bench that
// has one), generator, supply and (where there is one) switcher of each bench, the
// radio units, then power meter and fixture of each bench.
func Start(ctx context.Context, c Config, out io.Writer) (*Lab, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if out == nil {
		out = io.Discard
	}
	k := clock{time.Now(), c.Speed}
	if k.speed == 0 {
		k.speed = 1
	}
	w, err := newWorld(c, k, &journal{w: out, clock: k})
	if err != nil {
		return nil, err
	}
	inner, cancel := context.WithCancel(ctx)
	l := &Lab{config: c, world: w, cancel: cancel, devices: map[string]*device{}}
	for i, d := range build(c, w) {
		d.ctx, d.owner = inner, &l.owner
		d.behave(c.wire(d.name), c.Seed)
		l.devices[d.name] = d
		if err := l.open(d, i); err != nil {
			_ = l.Close()
			return nil, err
		}
	}
	if err := c.wireNames(l.devices); err != nil {
		_ = l.Close()
		return nil, err
	}
	for i, s := range l.servers {
		l.owner.Go(func() { s.serve(s.device.profile.OneClient) })
		l.owner.Go(func() { l.hislips[i].serve(false) })
	}
	for _, s := range l.shells {
		l.owner.Go(func() { s.serve(false) })
	}
	l.owner.Go(func() {
		<-inner.Done()
		l.disconnect()
	})
	return l, nil
}

// open opens both ports of the i-th device.
func (l *Lab) open(d *device, i int) error {
	at := func(base int) int {
		if base == 0 {
			return 0
		}
		return base + i
	}
	s, err := listen(d, l.address(), at(l.config.BasePort), socket)
	if err != nil {
		return err
	}
	l.servers = append(l.servers, s)
	h, err := listen(d, l.address(), at(l.config.HiSLIPPort), newHislipServer(d).talk)
	if err != nil {
		return err
	}
	l.hislips = append(l.hislips, h)
	d.cut = func() {
		s.cut()
		h.cut()
	}
	return l.openShell(d, i)
}

// disconnect closes every port and connection.
func (l *Lab) disconnect() {
	for _, s := range slices.Concat(l.servers, l.hislips, l.shells) {
		s.close()
	}
}

// build makes every instrument, in the order of their ports.
func build(c Config, w *world) []*device {
	var devices []*device
	for i, bench := range c.Benches {
		b := w.benches[bench.Name]
		if b.host == b {
			devices = append(devices, newAnalyzer(w, b, c.Seed+uint64(i)*0x9E3779B97F4A7C15).device)
		}
		devices = append(devices, newGenerator(w, b).device, newSupply(w, b).device)
		if !bench.Manual {
			devices = append(devices, newSwitcher(w, b).device)
		}
	}
	for _, u := range c.Units {
		devices = append(devices, newRadio(w, w.units[u.Serial]).device)
	}
	for _, bench := range c.Benches {
		b := w.benches[bench.Name]
		devices = append(devices, newPowerMeter(w, b, c.Seed).device, newHands(w, b).device)
	}
	return devices
}

func (l *Lab) address() string {
	if l.config.Listen == "" {
		return "127.0.0.1"
	}
	return l.config.Listen
}

// Close cuts every connection, frees the ports and waits for all that runs.
func (l *Lab) Close() error {
	l.closed.Do(func() {
		l.cancel()
		l.disconnect()
		l.owner.Wait()
	})
	return nil
}

// Config returns the configuration the lab was started with.
func (l *Lab) Config() Config { return l.config }

// Resource returns the resource string of an instrument, by its name in the
// inventory; radio units go by their serial number. It is that of the raw
// socket, of the HiSLIP port where Config.Wire says so, or of the command line
// where the type of a radio unit has one.
func (l *Lab) Resource(instrument string) (string, error) {
	if resource, err := l.CommandLine(instrument); err == nil {
		return resource, nil
	}
	if l.config.wire(instrument).HiSLIP {
		return l.HiSLIP(instrument)
	}
	return l.Socket(instrument)
}

// Socket returns the resource string of an instrument's raw socket.
func (l *Lab) Socket(instrument string) (string, error) {
	for _, s := range l.servers {
		if s.device.name == instrument {
			return fmt.Sprintf("TCPIP::%s::%d::SOCKET", l.address(), s.port()), nil
		}
	}
	return "", fmt.Errorf("sim: no instrument %q", instrument)
}

// HiSLIP returns the resource string of an instrument's HiSLIP port, which every
// instrument has.
func (l *Lab) HiSLIP(instrument string) (string, error) {
	for _, s := range l.hislips {
		if s.device.name == instrument {
			return fmt.Sprintf("TCPIP::%s::hislip0,%d::INSTR", l.address(), s.port()), nil
		}
	}
	return "", fmt.Errorf("sim: no instrument %q", instrument)
}

// Instruments returns the names of all instruments and the serial numbers of all
// radio units, in the order of their ports.
func (l *Lab) Instruments() []string {
	var names []string
	for _, s := range l.servers {
		names = append(names, s.device.name)
	}
	return names
}

// Expect returns the truth about a condition; see Config.Expect.
func (l *Lab) Expect(cond Condition) (*Expectation, error) { return l.config.Expect(cond) }

// Chill returns how cold a unit's amplifier is now: 1 when it has just been
// switched on, 0 when it is warm. It is meant for Condition.Chill.
func (l *Lab) Chill(serial string) (float64, error) {
	l.world.mu.Lock()
	defer l.world.mu.Unlock()
	u, ok := l.world.units[serial]
	if !ok {
		return 0, fmt.Errorf("sim: no radio unit %q", serial)
	}
	return 1 - u.heat.at(l.world.clock.now()), nil
}

// Loss returns the true loss of the path of a unit's connector at f, which the
// tables of the inventory know only with an error.
func (l *Lab) Loss(serial string, connector int, f rf.Hertz) (rf.DB, error) {
	u, err := l.config.unit(serial)
	if err != nil {
		return 0, err
	}
	p, ok := l.world.benches[u.Bench].paths[channel(u.Slot, connector)]
	if !ok {
		return 0, fmt.Errorf("sim: no connector %d", connector)
	}
	return rf.DB(p.loss(float64(f))), nil
}

// Transmitting returns the serial numbers of all units on the air, in the order
// of the configuration.
func (l *Lab) Transmitting() []string {
	l.world.mu.Lock()
	defer l.world.mu.Unlock()
	var on []string
	for _, u := range l.config.Units {
		if l.world.units[u.Serial].on {
			on = append(on, u.Serial)
		}
	}
	return on
}

// Damaged returns one line per occasion on which something got more than it can
// stand, an analyzer above its maximum safe input, a generator that a unit
// transmits into, a connector that transmits without termination: instrument or
// serial number, what happened and simulated time.
func (l *Lab) Damaged() []string {
	l.world.mu.Lock()
	defer l.world.mu.Unlock()
	var all []string
	for _, b := range l.config.Benches {
		for _, d := range l.world.benches[b.Name].damage {
			all = append(all, d.text)
		}
	}
	return all
}
