package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"benchyard/instruments/rf"
)

// What the safe state needs of the parts of a bench. Each method confirms by
// reading back what it did.
type (
	muter      interface{ Mute(context.Context) error }
	outputOff  interface{ Off(context.Context) error }
	terminator interface{ Terminate(context.Context) error }
	dcSupply   interface {
		Off(context.Context) error
		Read(context.Context) (volts, amps float64, on bool, err error)
	}
	protector interface {
		Protect(context.Context) error
		Sweep(context.Context, rf.Sweep) (rf.Spectrum, error)
	}
)

// quietLevel is what may still stand at a connector after the transmitter was
// switched off, in the resolution bandwidth of the probe: far below any carrier,
// far above what an idle unit leaves.
const quietLevel rf.DBm = 0

// lookSteps is how many times the limit of a step the look for power may take:
// an analyzer whose settings nobody knows is preset first.
const lookSteps = 5

// probe is one look for power that should not be there.
type probe struct {
	Sweep rf.Sweep
	Loss  rf.DB // greatest loss between a connector and the analyzer in the span
}

// safeBench is a bench as the safe state sees it. A part that could not be
// reached stands here all the same, as one whose methods return the reason; a
// part that the bench does not have is nil.
type safeBench struct {
	units     []safeUnit
	generator outputOff
	analyzer  protector
	supply    dcSupply
	switcher  terminator
	probes    []probe
	cutSupply bool // policy of the bench: no DC while idle
	// wasCut says that DC was cut before because a transmitter was not confirmed
	// off. Then a silent unit is not excused by the lack of DC: it was silent with it.
	wasCut bool
}

type safeUnit struct {
	serial string
	unit   muter
}

// SafetyStep is one step of the safe state and what became of it.
type SafetyStep struct {
	Name string
	Err  error // nil: done and confirmed
	Took time.Duration
}

// SafetyReport lists the steps in the order in which they were taken.
type SafetyReport struct {
	Steps []SafetyStep
	Cut   bool // DC was cut because something was not confirmed
}

// Err returns nil when every step is confirmed, else what is not.
func (r SafetyReport) Err() error {
	var open []string
	for _, s := range r.Steps {
		if s.Err != nil {
			open = append(open, fmt.Sprintf("%s: %v", s.Name, s.Err))
		}
	}
	if open == nil {
		return nil
	}
	return fmt.Errorf("jobs: safe state not confirmed: %s", strings.Join(open, "; "))
}

// drive takes every step, each within limit, whatever became of the one
// before. The order protects what stands downstream: first the transmitters,
// then the generator, then the analyzer, then a look at what is left, then DC,
// and the switches last because switching under power wears them out. DC is cut
// whatever the policy when power was seen, and at once when a transmitter was not
// confirmed off.
func (b safeBench) drive(ctx context.Context, limit time.Duration) SafetyReport {
	r := b.silence(ctx, limit)
	if b.supply != nil && r.Err() != nil { // it may be on the air: nothing else is waited for
		r.cut(ctx, limit, b.supply)
	}
	if b.generator != nil {
		r.takeHere(ctx, limit, "generator output off", b.generator.Off)
	}
	if b.analyzer != nil && r.takeHere(ctx, limit, "analyzer at full attenuation", b.analyzer.Protect) {
		r.take(ctx, lookSteps*limit, "no power at the analyzer", b.look)
	}
	quiet := r.Err() == nil
	switch {
	case b.supply == nil || r.Cut:
	case b.cutSupply && quiet:
		r.take(ctx, limit, "supply output off", b.supply.Off)
	case !quiet:
		r.cut(ctx, limit, b.supply)
	}
	if b.switcher != nil {
		r.take(ctx, limit, "switches terminated", b.switcher.Terminate)
	}
	return r
}

// silence is the first part of drive: no transmitter is on, confirmed.
func (b safeBench) silence(ctx context.Context, limit time.Duration) SafetyReport {
	r := SafetyReport{Steps: b.mute(ctx, limit)}
	if r.Err() != nil && !b.wasCut && b.withoutDC(ctx, limit) {
		for i, s := range r.Steps {
			if s.Err != nil {
				r.Steps[i] = SafetyStep{Name: b.units[i].serial + " has no DC and cannot transmit", Took: s.Took}
			}
		}
	}
	return r
}

// cut takes DC from the units because something is not confirmed.
func (r *SafetyReport) cut(ctx context.Context, limit time.Duration, supply dcSupply) {
	r.Cut = true
	r.take(ctx, limit, "supply output off, because the transmitters are not confirmed off", supply.Off)
}

// take runs one step within its limit and writes down how it ended.
func (r *SafetyReport) take(ctx context.Context, limit time.Duration, name string, step func(context.Context) error) {
	r.Steps = append(r.Steps, take(ctx, limit, name, step))
}

// takeHere is take for an instrument that benches share, and reports whether it was
// there. One that works elsewhere is left alone: the transmitters are off by what the
// units themselves answer, and the switches keep them from it; the report says so.
func (r *SafetyReport) takeHere(ctx context.Context, limit time.Duration, name string, step func(context.Context) error) bool {
	s := take(ctx, limit, name, step)
	away := notHere(s.Err)
	if away {
		s.Name, s.Err = fmt.Sprintf("without %q, by the answers of the units and switches alone: %v", name, s.Err), nil
	}
	r.Steps = append(r.Steps, s)
	return !away
}

func take(ctx context.Context, limit time.Duration, name string, step func(context.Context) error) (s SafetyStep) {
	start := time.Now()
	s.Name = name
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	defer func() {
		if p := recover(); p != nil { // the steps after this one must still be taken
			s.Err = fmt.Errorf("panic: %v", p)
		}
		s.Took = time.Since(start)
	}()
	s.Err = step(ctx)
	return s
}

// mute switches all transmitters off at once: they are separate connections,
// and one that does not answer must not keep the others on the air.
func (b safeBench) mute(ctx context.Context, limit time.Duration) []SafetyStep {
	steps := make([]SafetyStep, len(b.units))
	var wait sync.WaitGroup
	for i, u := range b.units {
		wait.Go(func() { steps[i] = take(ctx, limit, u.serial+" transmitter off", u.unit.Mute) })
	}
	wait.Wait()
	return steps
}

// withoutDC reports whether the supply says that its output is off. Then a
// unit that does not answer is one that nobody switched on.
func (b safeBench) withoutDC(ctx context.Context, limit time.Duration) bool {
	off := false
	if b.supply == nil {
		return false
	}
	s := take(ctx, limit, "", func(ctx context.Context) error {
		_, _, on, err := b.supply.Read(ctx)
		off = !on
		return err
	})
	return s.Err == nil && off
}

// look reads the power that arrives at the analyzer through whatever path is
// still connected, and protects the analyzer again.
func (b safeBench) look(ctx context.Context) error {
	var problems []error
	for _, p := range b.probes {
		problems = append(problems, p.look(ctx, b.analyzer))
	}
	return errors.Join(append(problems, b.analyzer.Protect(ctx))...)
}

func (p probe) look(ctx context.Context, a protector) error {
	s, err := a.Sweep(ctx, p.Sweep)
	if err != nil {
		return err
	}
	if err := s.Validate(); err != nil {
		return err
	}
	for i, level := range s.Levels {
		if at := rf.DBm(level).Add(p.Loss); at > quietLevel {
			return fmt.Errorf("up to %s at the connector near %s, want at most %s", at, s.Frequency(i), quietLevel)
		}
	}
	return nil
}
