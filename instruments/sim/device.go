package sim

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"benchyard/instruments/scpi"
)

// device is one instrument behind its parser: command table, status, and at
// most one overlapped operation. All of its state is shared by its connections.
type device struct {
	name     string
	identity string
	world    *world
	ctx      context.Context // ends with the lab
	owner    *sync.WaitGroup // waits for every goroutine of the lab

	mu        sync.Mutex
	status    status
	commands  []command
	found     map[string]*command // headers met so far
	speaker   string              // whose message came last
	spoke     map[string]bool     // whose message came before that of another
	pending   *operation
	armed     bool // *OPC waits for the pending operation
	reset     func()
	test      func() int
	trigger   func() error
	profile   WireConfig
	fault     WireFault
	often     seldom         // faults that come by chance
	lost      int            // times that every connection was left half open
	calm      chan struct{}  // closed and replaced when the fault changes
	cut       func()         // closes every connection
	listeners map[any]func() // by who listens; called, with the lock held, when the status may have changed
}

// command is one row of the command table. A nil set or get means that the
// header has no command or no query form.
type command struct {
	notation string
	set      func(*args) error
	get      func(*args) (string, error)
	wait     bool         // not before the pending operation is done
	first    func() error // of a query: starts the operation that it waits for
	free     bool         // the answer is arbitrary text: nobody can tell where it ends (488.2 8.7.11)
}

// operation is something that takes simulated time while commands go on.
type operation struct {
	done   chan struct{}
	cancel chan struct{}
}

// headersKept bounds the cache of resolved headers.
const headersKept = 1024

// newDevice returns an instrument with the commands every one has; tables of
// its own are added by the caller.
func newDevice(name, identity string, w *world) *device {
	d := &device{
		name: name, identity: identity, world: w, status: newStatus(), found: map[string]*command{},
		calm: make(chan struct{}), cut: func() {}, listeners: map[any]func(){},
	}
	d.reset, d.test = func() {}, func() int { return 0 }
	d.trigger = func() error { return scpi.StandardError(-211, "nothing waits for a trigger") }
	d.commands = append(d.common(), d.statusTree()...)
	d.commands = append(d.commands, d.faultCommands()...)
	return d
}

// begin starts an overlapped operation of the given simulated length. work runs
// when the time is over, without the lock; what it returns runs under the lock,
// and only if the operation has not been aborted. The lock is held.
func (d *device) begin(seconds float64, work func() func()) {
	op := &operation{done: make(chan struct{}), cancel: make(chan struct{})}
	d.pending = op
	endless := d.fault == Endless
	d.owner.Go(func() {
		defer close(op.done)
		var over <-chan time.Time // never, while operations are endless
		if !endless {
			timer := time.NewTimer(d.world.clock.wall(seconds))
			defer timer.Stop()
			over = timer.C
		}
		select {
		case <-over:
		case <-op.cancel:
			return
		case <-d.ctx.Done():
			return
		}
		publish := work()
		d.mu.Lock()
		defer d.mu.Unlock()
		if d.pending != op {
			return
		}
		publish()
		d.finish()
		d.changed()
	})
}

// abort ends the pending operation without its result. *OPC does not come true
// by it, since nothing was completed. The lock is held.
func (d *device) abort() {
	if d.pending == nil {
		return
	}
	close(d.pending.cancel)
	d.pending, d.armed = nil, false
	d.status.operation.set(operationSweeping|operationMeasuring, false)
}

// finish marks the pending operation done. The lock is held.
func (d *device) finish() {
	d.pending = nil
	d.status.operation.set(operationSweeping|operationMeasuring, false)
	if d.armed {
		d.armed = false
		d.status.event |= eventOperation
	}
}

// idle waits until no operation is pending; false when the lab ends first, or stop
// is closed.
func (d *device) idle(stop <-chan struct{}) bool {
	for {
		d.mu.Lock()
		op := d.pending
		d.mu.Unlock()
		if op == nil {
			return true
		}
		select {
		case <-op.done:
		case <-op.cancel:
		case <-stop:
			return false
		case <-d.ctx.Done():
			return false
		}
	}
}

// execute runs one program message and returns its response message without
// terminator, empty when there is none. ok is false when the lab ended meanwhile.
func (d *device) execute(line []byte) (answer string, ok bool) {
	x := exchange{device: d}
	ok = x.message(line)
	return string(x.take(math.MaxInt)), ok
}

var errClosing = errors.New("sim: the lab is closing")

// find returns the command of an absolute header.
func (d *device) find(header string, query bool) (*command, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.lookup(header, query)
}

// perform executes one program message unit; stop ends its wait for an operation.
func (d *device) perform(c *command, header string, u scpi.Unit, answered bool, stop <-chan struct{}) (string, error) {
	if c.first != nil && u.Query {
		if err := d.start(c.first); err != nil {
			return "", err
		}
	}
	if c.wait && !d.idle(stop) {
		return "", errClosing
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	defer d.changed()
	a := &args{params: u.Params, waiting: answered, suffix: 1}
	if suffixes, _ := scpi.MatchHeader(c.notation, header); len(suffixes) > 0 {
		a.suffix = suffixes[0]
	}
	if u.Query {
		return c.get(a)
	}
	return "", c.set(a)
}

// start begins the operation that a query waits for.
func (d *device) start(first func() error) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return first()
}

// changed tells those who listen for service requests that the status may have
// changed. The lock is held.
func (d *device) changed() {
	for _, l := range d.listeners {
		l()
	}
}

// lookup finds the command of an absolute header. The lock is held.
func (d *device) lookup(header string, query bool) (*command, error) {
	key := header
	if query {
		key += "?"
	}
	if found, ok := d.found[key]; ok {
		return found, nil
	}
	found := d.match(header, query)
	if found == nil {
		bare := stripSuffixes(header)
		if bare != header && header[0] == ':' && d.match(bare, query) != nil {
			return nil, scpi.StandardError(-114, header)
		}
		return nil, scpi.StandardError(-113, key)
	}
	if len(d.found) < headersKept {
		d.found[key] = found
	}
	return found, nil
}

func (d *device) match(header string, query bool) *command {
	for i := range d.commands {
		c := &d.commands[i]
		if query && c.get == nil || !query && c.set == nil {
			continue
		}
		if _, ok := scpi.MatchHeader(c.notation, header); ok {
			return c
		}
	}
	return nil
}

// stripSuffixes removes the number at the end of every word of a header.
func stripSuffixes(header string) string {
	words := strings.Split(header, ":")
	for i := range words {
		words[i] = strings.TrimRight(words[i], "0123456789")
	}
	return strings.Join(words, ":")
}

// fail queues an error.
func (d *device) fail(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var e *scpi.Error
	if !errors.As(err, &e) {
		e = scpi.StandardError(-200, err.Error())
	}
	d.status.push(e)
	d.changed()
}

// note writes a line of the journal.
// heed takes note of whose message comes, and writes down a client that goes on
// after another one has spoken: two drive the instrument at once.
func (d *device) heed(who string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.speaker == who {
		return
	}
	if d.spoke == nil {
		d.spoke = map[string]bool{}
	}
	if d.spoke[who] {
		d.note("interleaved", "%s speaks again after %s", who, d.speaker)
	}
	d.spoke[d.speaker] = true
	d.speaker = who
}

// forget ends what heed knows of a client that has left.
func (d *device) forget(who string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.spoke, who)
}

func (d *device) note(kind, format string, a ...any) {
	d.world.journal.note(d.name, kind, format, a...)
}

// conflict is error -221 with an explanation.
func conflict(format string, a ...any) error {
	return scpi.StandardError(-221, fmt.Sprintf(format, a...))
}
