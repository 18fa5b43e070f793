//go:build linux && chaos

package chaos

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"benchyard/instruments/sim"
)

// Kinds of faults.
const (
	kill         = "agent killed"
	pause        = "agent stopped"
	clockJump    = "clock jumped"
	diskFull     = "disk full"
	wayCut       = "database cut off"
	wayStalled   = "database stalled"
	restart      = "database restarted"
	instrumentRF = "instrument spoiled"
	wireCut      = "instrument cut off"
	wireStalled  = "instrument stalled"
	fell         = "agent gave up" // by itself: not a fault, but the same as one for those who wait
)

// odds are how often each kind is drawn, out of their sum.
var odds = []struct {
	kind string
	odds int
}{
	{kill, 14}, {pause, 12}, {clockJump, 6}, {diskFull, 8}, {wayCut, 8}, {wayStalled, 8}, {restart, 3}, {instrumentRF, 26}, {wireCut, 8}, {wireStalled, 7},
}

// serverRest is how long the server is left alone after a restart: one that ends more
// often than once a minute is started again later and later by its keeper.
const serverRest = 65 * time.Second

// fault is one disturbance.
type fault struct {
	kind   string
	agent  int    // whom it hits; -1: none
	name   string // of the process
	bench  string // whose instrument; empty: none
	detail string
	from   time.Time
	to     time.Time // zero: it lasts
}

// disables reports a fault during which its agent cannot take a bench over.
func (f fault) disables() bool {
	return slices.Contains([]string{kill, pause, wayCut, wayStalled, fell}, f.kind)
}

// director draws faults and ends them.
type director struct {
	*yard
	random *rand.Rand
	ends   []ending

	restarted time.Time // when the database was

	mu     sync.Mutex
	faults []*fault
}

type ending struct {
	at  time.Time
	end func()
}

// run disturbs until over says so, then ends every fault.
func (d *director) run(over func() bool) {
	next := time.Now()
	for !over() {
		d.endDue(time.Now())
		d.reviveFallen()
		d.releaseBenches()
		d.topUp(true)
		if now := time.Now(); !now.Before(next) {
			d.disturb()
			next = now.Add(d.between(d.c.every/2, 3*d.c.every/2))
		}
		time.Sleep(20 * time.Millisecond)
	}
	for len(d.ends) > 0 {
		d.endDue(time.Now().Add(time.Hour))
	}
	d.reviveFallen()
}

func (d *director) endDue(now time.Time) {
	var due []ending
	d.ends = slices.DeleteFunc(d.ends, func(e ending) bool {
		if e.at.After(now) {
			return false
		}
		due = append(due, e)
		return true
	})
	for _, e := range due {
		e.end()
	}
}

func (d *director) between(low, high time.Duration) time.Duration {
	return low + time.Duration(d.random.Int64N(int64(high-low)+1))
}

// lasting says what ends a fault, and when.
func (d *director) lasting(f *fault, length time.Duration, end func()) {
	d.ends = append(d.ends, ending{time.Now().Add(length), func() {
		end()
		d.ended(f)
	}})
}

func (d *director) ended(f *fault) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if f.to.IsZero() {
		f.to = time.Now()
	}
}

func (d *director) begin(f fault) *fault {
	d.mu.Lock()
	defer d.mu.Unlock()
	f.from = time.Now()
	d.faults = append(d.faults, &f)
	return &f
}

// lasts reports whether a fault is in force for which is true.
func (d *director) lasts(is func(*fault) bool) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.ContainsFunc(d.faults, func(f *fault) bool { return f.to.IsZero() && is(f) })
}

// disturb draws a fault and begins it, unless nobody would be left to help.
func (d *director) disturb() {
	all := 0
	for _, o := range odds {
		all += o.odds
	}
	n := d.random.IntN(all)
	for _, o := range odds {
		if n -= o.odds; n < 0 {
			d.strike(o.kind)
			return
		}
	}
}

func (d *director) strike(kind string) {
	switch kind {
	case restart:
		d.restartDatabase()
	case instrumentRF, wireCut, wireStalled:
		d.disturbInstrument(kind)
	default:
		d.disturbAgent(kind)
	}
}

// disturbAgent hits one of the agents that are sound, if one is left beside it.
func (d *director) disturbAgent(kind string) {
	pick, length, patience := d.random.IntN(1000), d.between(0, time.Second), d.random.IntN(3)
	sound := d.sound()
	if len(sound) < 2 {
		return
	}
	a := sound[pick%len(sound)]
	if patience > 0 { // mostly it comes when it does most harm
		a = d.transmitting(sound, a)
	}
	p := a.current()
	f := d.begin(fault{kind: kind, agent: a.number - 1, name: p.name})
	lease := timings().TTL
	switch kind {
	case kill:
		d.check(p.signal(syscall.SIGKILL))
		d.ends = append(d.ends, ending{time.Now().Add(time.Second + 4*length), func() { d.restartAgent(a, f) }})
	case pause:
		d.stop(a, p, pick/100%2 == 0, f)
		d.lasting(f, lease+time.Second/2+4*length, func() { d.check(p.signal(syscall.SIGCONT)) })
	case clockJump:
		jump := []time.Duration{-48 * time.Hour, -time.Hour, -10 * time.Second, 10 * time.Second, time.Hour, 48 * time.Hour}[pick%6]
		f.detail = jump.String()
		_ = p.tell("clock " + f.detail) // it may have ended by itself
		d.lasting(f, 2*time.Second+10*length, func() { _ = p.tell("clock 0s") })
	case diskFull:
		_ = p.tell("full")
		d.lasting(f, 2*time.Second+6*length, func() { _ = p.tell("room") })
	case wayCut:
		a.wire.cut(true)
		d.lasting(f, d.briefly(pick, length), func() { a.wire.cut(false) })
	case wayStalled:
		a.wire.stall(true)
		d.lasting(f, d.briefly(pick, length), func() { a.wire.stall(false) })
	}
}

// stop stops a process: at once, or in the moment in which it begins a transaction, so
// that it wakes in the middle of what it may not finish.
func (d *director) stop(a *agent, p *process, storing bool, f *fault) {
	if storing {
		f.detail = "beginning a transaction"
		stopped := make(chan struct{})
		a.wire.onBegin(func() {
			d.check(p.signal(syscall.SIGSTOP))
			close(stopped)
		})
		select {
		case <-stopped:
			return
		case <-time.After(2 * time.Second):
			a.wire.onBegin(nil)
		}
	}
	d.check(p.signal(syscall.SIGSTOP))
}

// sound returns the agents to which nothing happens now.
func (d *director) sound() (sound []*agent) {
	for i, a := range d.agents {
		p := a.current()
		if p != nil && !p.over() && isClosed(p.ready) && !d.lasts(func(f *fault) bool { return f.agent == i }) {
			sound = append(sound, a)
		}
	}
	return sound
}

// transmitting waits a little for one of the agents that has a unit on the air.
func (d *director) transmitting(sound []*agent, otherwise *agent) *agent {
	for deadline := time.Now().Add(2 * time.Second); time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		names := d.onAir()
		for _, a := range sound {
			if slices.Contains(names, a.current().name) {
				return a
			}
		}
	}
	return otherwise
}

// briefly is how long a way is interrupted: half of the times for longer than a lease.
func (d *director) briefly(pick int, length time.Duration) time.Duration {
	if pick/10%2 == 0 {
		return 200*time.Millisecond + 2*length
	}
	return timings().TTL + 2*length
}

func (d *director) check(err error) {
	if err != nil {
		d.t.Log("a fault did not come about:", err)
	}
}

// restartAgent starts the next process in a place; the fault ends when it works.
func (d *director) restartAgent(a *agent, f *fault) {
	if err := a.start(); err != nil {
		d.t.Error(err)
		return
	}
	p := a.current()
	d.wait.Go(func() {
		<-p.ready
		d.ended(f)
	})
}

// reviveFallen starts agents anew that have ended by themselves, as a supervisor
// would: the start of an agent fails while its database is away.
func (d *director) reviveFallen() {
	for i, a := range d.agents {
		p := a.current()
		if p == nil || !p.over() || time.Since(p.started) < time.Second || d.lasts(func(f *fault) bool { return f.agent == i && (f.kind == kill || f.kind == fell) }) {
			continue
		}
		d.restartAgent(a, d.begin(fault{kind: fell, agent: i, name: p.name}))
	}
}

// disturbInstrument spoils an instrument of a bench where all are sound.
func (d *director) disturbInstrument(kind string) {
	names := slices.DeleteFunc(d.lab.Instruments(), func(n string) bool { return strings.HasSuffix(n, "-fixture") }) // a person's hands
	name := names[d.random.IntN(len(names))]
	words := slices.DeleteFunc(sim.WireFaults(), func(f sim.WireFault) bool {
		return f == sim.BypassedPad || f == sim.Overload // they are not of the wire: they break the bench
	})
	word, length := words[d.random.IntN(len(words))], d.between(0, time.Second)
	bench := d.benchOf[name]
	if d.lasts(func(f *fault) bool { return f.bench == bench }) {
		return
	}
	f := d.begin(fault{kind: kind, agent: -1, bench: bench, detail: name})
	switch kind {
	case wireCut:
		d.wires[name].cut(true)
		d.lasting(f, 200*time.Millisecond+3*length, func() { d.wires[name].cut(false) })
	case wireStalled:
		d.wires[name].stall(true)
		d.lasting(f, 500*time.Millisecond+8*length, func() { d.wires[name].stall(false) })
	default:
		f.detail = fmt.Sprintf("%s: %s", name, word)
		d.check(d.lab.Inject(name, word))
		d.lasting(f, 500*time.Millisecond+4*length, func() { d.check(d.lab.Inject(name, sim.None)) })
	}
}

// restartDatabase has the server shut down, or die; its keeper starts it again.
func (d *director) restartDatabase() {
	s := []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT}[d.random.IntN(2)]
	if time.Since(d.restarted) < serverRest {
		return
	}
	d.restarted = time.Now()
	f := d.begin(fault{kind: restart, agent: -1, detail: s.String()})
	if err := d.signalDatabase(s); err != nil {
		d.check(err)
	}
	d.wait.Go(func() {
		for away := false; !away || d.open() < 0; time.Sleep(50 * time.Millisecond) {
			away = away || d.open() < 0 || time.Since(f.from) > 3*time.Second
		}
		d.ended(f)
	})
}
