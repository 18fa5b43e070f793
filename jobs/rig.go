package jobs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"slices"
	"sync"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/generator"
	"benchyard/instruments/powermeter"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	"benchyard/instruments/supply"
	"benchyard/instruments/switcher"
	"benchyard/jobs/lab"
)

// rig is the set of open connections of a bench. They are opened when first
// needed and kept for the whole tenure; every write asks the lease first.
// Only one goroutine drives a rig at a time.
type rig struct {
	agent      *Agent
	lease      *lease
	log        *slog.Logger
	transcript *transcript
	set        *tuning // nil after the safe state
	preset     bool    // the analyzer was preset and has answered since

	mu    sync.Mutex
	lab   *lab.Lab // the inventory the links stand for
	fixed bool     // it stays in force until the bench has been driven to its safe state
	links map[string]*link
	safe  bool
	cut   bool           // see safeBench.wasCut
	slots map[int]string // units that were put into their slots by hand

	cabled cabling // what a person confirmed last
}

// link is one instrument or radio unit, open or not.
type link struct {
	role     instruments.Role
	resource string
	identity string
	table    *dialect.Table
	control  lab.Control // of a radio unit
	hostKeys []string    // of a radio unit over SSH
	in       *lab.Lab    // the inventory that says so, and where connections may go
	open     *instruments.Instrument
	opening  sync.Mutex
}

func newRig(a *Agent, l *lease) *rig {
	return &rig{agent: a, lease: l, log: a.log.With("bench", l.bench), transcript: &transcript{start: time.Now()}, links: map[string]*link{}}
}

// inventory returns the inventory in force for the bench: the newest one, but
// from bring-up to safe state the one it was brought up with. What transmits
// must be taken off the air by the names under which it was put there, even if
// it has left the inventory since. A link whose address, identity or dialect
// changed, or the addresses it may go to, is closed first.
func (r *rig) inventory() *lab.Lab {
	r.mu.Lock()
	defer r.mu.Unlock()
	newest := r.agent.latestLab()
	if newest == r.lab || r.fixed {
		return r.lab
	}
	r.lab = newest
	for name, l := range r.links {
		if wanted, err := describeLink(newest, name); err != nil || !wanted.same(l) {
			l.close()
			delete(r.links, name)
		}
	}
	return r.lab
}

// fix keeps the inventory in force until the next safe state.
func (r *rig) fix() {
	r.inventory()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.fixed = true
}

// reach returns the link of a name in the inventory.
func (r *rig) reach(name string) (*link, error) {
	inventory := r.inventory()
	r.mu.Lock()
	defer r.mu.Unlock()
	if l := r.links[name]; l != nil {
		return l, nil
	}
	l, err := describeLink(inventory, name)
	if err == nil {
		r.links[name] = l
	}
	return l, err
}

// describeLink looks an instrument or a radio unit up in the inventory.
func describeLink(l *lab.Lab, name string) (described *link, err error) {
	var spoken string
	if i, ok := l.Instrument(name); ok {
		described, spoken = &link{role: instruments.Role(i.Role), resource: i.Resource, identity: i.Identity}, i.Dialect
	} else if u, ok := l.Unit(name); ok {
		kind, ok := l.Type(u.Type)
		if !ok {
			return nil, fmt.Errorf("%s has the type %s, which is not in the inventory", name, u.Type)
		}
		described = &link{
			role: instruments.RadioUnit, resource: u.Resource, identity: kind.Maker + "," + u.Type + "," + u.Serial,
			control: kind.Control, hostKeys: u.HostKeys,
		}
		spoken = kind.Dialect
	} else {
		return nil, fmt.Errorf("%q is not in the inventory of %s", name, l.Name)
	}
	described.in = l
	if described.table, err = l.Table(string(described.role), spoken); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return described, nil
}

// same reports whether two descriptions lead to the same instrument in the same words.
func (l *link) same(o *link) bool {
	return l.role == o.role && l.resource == o.resource && l.identity == o.identity && reflect.DeepEqual(l.table, o.table) &&
		l.control == o.control && slices.Equal(l.hostKeys, o.hostKeys) && slices.Equal(l.in.AllowedAddresses, o.in.AllowedAddresses)
}

// dial connects to what the link describes.
func (l *link) dial(ctx context.Context, config scpi.Config) (*instruments.Instrument, error) {
	if l.control.CommandLine() {
		return instruments.OpenCommandLine(ctx, l.resource, l.identity, Login(l.control, l.hostKeys), config, l.table)
	}
	return instruments.Open(ctx, l.role, l.resource, l.identity, config, l.table)
}

// blind tells what the link describes to do what a capability says, without any answer.
func (l *link) blind(ctx context.Context, config scpi.Config, capability string) error {
	if l.control.CommandLine() {
		return instruments.BlindCommandLine(ctx, l.resource, Login(l.control, l.hostKeys), config, l.table, capability)
	}
	return instruments.Blind(ctx, l.role, l.resource, config, l.table, capability)
}

// Connect opens an instrument or a radio unit of an inventory by its name or serial
// number, in its dialect, over the control that its type has, at an address that the
// inventory allows.
func Connect(ctx context.Context, l *lab.Lab, name string, config scpi.Config) (*instruments.Instrument, error) {
	described, err := describeLink(l, name)
	if err != nil {
		return nil, err
	}
	config.Admit = described.in.Admit
	return described.dial(ctx, config)
}

func (l *link) close() {
	l.opening.Lock()
	defer l.opening.Unlock()
	if l.open != nil {
		_ = l.open.Close() // given up, its error would say nothing new
		l.open = nil
	}
}

// driver is what the roles of a bench come down to.
type driver interface {
	*analyzer.Analyzer | *generator.Generator | *powermeter.PowerMeter | *supply.Supply | *switcher.Switcher | *radiounit.RadioUnit
}

// open returns the instrument of a name, connected if need be.
func (r *rig) open(ctx context.Context, name string) (*instruments.Instrument, error) {
	l, config, err := r.line(ctx, name)
	if err != nil {
		return nil, err
	}
	return r.dial(ctx, name, l, config)
}

// line returns the link of a name that is in our hands, and how to talk over it.
func (r *rig) line(ctx context.Context, name string) (*link, scpi.Config, error) {
	l, err := r.reach(name)
	if err != nil {
		return nil, scpi.Config{}, err
	}
	guard := r.lease.guardWork
	if l.role != instruments.RadioUnit {
		if err := r.hand(ctx, name); err != nil {
			return nil, scpi.Config{}, err
		}
		guard = r.lease.guardInstrument(name)
	}
	return l, scpi.Config{
		Timeout: r.agent.Timings.Exchange, Guard: r.lease.guarded(guard), Transcript: r.transcript.of(name), Admit: l.in.Admit,
	}, nil
}

// dial opens the connection of a link if need be.
func (r *rig) dial(ctx context.Context, name string, l *link, config scpi.Config) (_ *instruments.Instrument, err error) {
	l.opening.Lock()
	defer l.opening.Unlock()
	if l.open == nil {
		if l.open, err = l.dial(ctx, config); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		r.configure(name, l.open.Driver())
	}
	return l.open, nil
}

// configure tells a driver what only the inventory knows.
func (r *rig) configure(name string, driver any) {
	inventory := r.inventory()
	switch d := driver.(type) {
	case *analyzer.Analyzer:
		if i, ok := inventory.Instrument(name); ok && i.NoiseFactor > 0 {
			d.NoiseFactor = i.NoiseFactor
		}
	case *radiounit.RadioUnit:
		if u, ok := inventory.Unit(name); ok {
			if kind, ok := inventory.Type(u.Type); ok {
				d.Connectors = kind.Connectors
			}
		}
	case *switcher.Switcher:
		for _, p := range inventory.Paths {
			if p.Bench == r.lease.bench {
				d.Routes = append(d.Routes, p.Route)
			}
		}
	}
}

// instrumentOf opens the connection if need be and returns the driver.
func instrumentOf[T driver](ctx context.Context, r *rig, name string) (T, error) {
	opened, err := r.open(ctx, name)
	if err != nil {
		return nil, err
	}
	return driverOf[T](opened, name)
}

// driverOf returns the driver of an instrument that is open.
func driverOf[T driver](opened *instruments.Instrument, name string) (T, error) {
	d, ok := opened.Driver().(T)
	if !ok {
		return nil, fmt.Errorf("%s is a %s, not what the bench needs in its place", name, opened.Role())
	}
	return d, nil
}

// bench returns the bench as the inventory has it.
func (r *rig) bench() (lab.Bench, error) {
	l := r.inventory()
	b, ok := l.Bench(r.lease.bench)
	if !ok {
		return b, fmt.Errorf("bench %s is not in the inventory of %s any more", r.lease.bench, l.Name)
	}
	return b, nil
}

func (r *rig) close() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, l := range r.links {
		l.close()
	}
}

// isSafe reports whether the bench was confirmed safe and not touched since.
func (r *rig) isSafe() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.safe
}

// unsafe says that the bench is, or may have been, touched.
func (r *rig) unsafe() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.safe = false
}

// makeSafe drives the bench to its safe state. It opens what is not open, is
// not stopped by the end of ctx, and may write until the very end of the lease.
func (r *rig) makeSafe(ctx context.Context) SafetyReport {
	r.set = nil
	ctx = scpi.WithGuard(context.WithoutCancel(ctx), r.lease.guarded(r.lease.guardSafe))
	report := r.parts().drive(ctx, r.agent.Timings.SafeStep)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.safe, r.fixed = report.Err() == nil, false
	r.cut = !r.safe && (r.cut || report.Cut)
	return report
}

// inspected says that a person has looked at the bench and cleared its alarm.
func (r *rig) inspected() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cut = false
}

// Parts of the bench, opened when the safe state comes to them.
type (
	muteFunc      func(context.Context) error
	offFunc       func(context.Context) error
	terminateFunc func(context.Context) error
	lateAnalyzer  struct {
		rig  *rig
		name string
	}
	lateSupply lateAnalyzer
)

func (f muteFunc) Mute(ctx context.Context) error           { return f(ctx) }
func (f offFunc) Off(ctx context.Context) error             { return f(ctx) }
func (f terminateFunc) Terminate(ctx context.Context) error { return f(ctx) }

// Protect opens the analyzer and protects it.
func (l lateAnalyzer) Protect(ctx context.Context) error {
	a, err := instrumentOf[*analyzer.Analyzer](ctx, l.rig, l.name)
	if err != nil {
		return err
	}
	return a.Protect(ctx)
}

// Sweep opens the analyzer, presets it when nobody knows how it is set, and
// takes one trace.
func (l lateAnalyzer) Sweep(ctx context.Context, s rf.Sweep) (rf.Spectrum, error) {
	a, err := instrumentOf[*analyzer.Analyzer](ctx, l.rig, l.name)
	if err == nil && !l.rig.preset {
		err = a.Prepare(ctx)
	}
	if err != nil {
		return rf.Spectrum{}, err
	}
	trace, err := a.Sweep(ctx, s)
	if errors.Is(err, scpi.ErrRestarted) { // a fresh analyzer sees as well as any
		if err = a.Prepare(ctx); err == nil {
			trace, err = a.Sweep(ctx, s)
		}
	}
	l.rig.preset = err == nil
	return trace, err
}

// Off opens the supply and switches it off.
func (l lateSupply) Off(ctx context.Context) error {
	return switchOff(ctx, l.rig, l.name, "output_off", (*supply.Supply).Off)
}

// Read opens the supply and reads its output.
func (l lateSupply) Read(ctx context.Context) (volts, amps float64, on bool, err error) {
	dc, err := instrumentOf[*supply.Supply](ctx, l.rig, l.name)
	if err != nil {
		return 0, 0, false, err
	}
	return dc.Read(ctx)
}

// parts returns the bench as the safe state sees it.
func (r *rig) parts() safeBench {
	inventory := r.inventory()
	b, err := r.bench()
	if err != nil {
		gone := func(context.Context) error { return err }
		return safeBench{generator: offFunc(gone)}
	}
	s := safeBench{
		analyzer:  lateAnalyzer{r, b.Analyzer},
		supply:    lateSupply{r, b.Supply},
		cutSupply: b.IdleSupply != lab.KeepSupply,
	}
	r.mu.Lock()
	s.wasCut = r.cut
	r.mu.Unlock()
	if !b.ByHand() {
		s.switcher = terminateFunc(func(ctx context.Context) error { return act(ctx, r, b.Switcher, (*switcher.Switcher).Terminate) })
	}
	if b.Generator != "" {
		s.generator = offFunc(func(ctx context.Context) error {
			return switchOff(ctx, r, b.Generator, "output_off", (*generator.Generator).Off)
		})
	}
	units := r.units(b.Name)
	// A person takes such a unit away when it has been measured.
	s.cutSupply = s.cutSupply || anyByHand(units)
	for _, u := range units {
		s.units = append(s.units, safeUnit{u.Serial, muteFunc(func(ctx context.Context) error {
			return switchOff(ctx, r, u.Serial, "transmit_off", (*radiounit.RadioUnit).Mute)
		})})
	}
	if s.probes, err = probesOf(inventory, b.Name); err != nil {
		// An inventory that was accepted gives probes; without them nothing is confirmed.
		missing := err
		s.generator = offFunc(func(context.Context) error { return missing })
	}
	return s
}

// act opens an instrument and has it do one thing.
func act[T driver](ctx context.Context, r *rig, name string, do func(T, context.Context) error) error {
	d, err := instrumentOf[T](ctx, r, name)
	if err != nil {
		return err
	}
	return do(d, ctx)
}

// switchOff opens an instrument and has it go off, confirmed. One to which no session
// comes about, because it does not answer, is told blindly by the same capability; the
// drivers do so themselves where there is a session.
func switchOff[T driver](ctx context.Context, r *rig, name, capability string, off func(T, context.Context) error) error {
	l, config, err := r.line(ctx, name)
	if err != nil {
		return err
	}
	var opened *instruments.Instrument
	err = scpi.LastResort(ctx, func(ctx context.Context) (err error) {
		opened, err = r.dial(ctx, name, l, config)
		return err
	}, func(ctx context.Context) error {
		return l.blind(ctx, config, capability)
	})
	if err != nil {
		return err
	}
	d, err := driverOf[T](opened, name)
	if err != nil {
		return err
	}
	return off(d, ctx)
}
