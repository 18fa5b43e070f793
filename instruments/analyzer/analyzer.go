// Package analyzer drives a swept spectrum analyzer as a source of traces: mean
// power through the resolution filter over frequency, RMS detector, averages
// over power. Everything else an analyzer can compute is left to the program,
// where it can be tested.
//
// A sweep costs round trips, and a campaign takes tens of thousands of them. The
// driver therefore remembers what it has set and sends only what changed. It
// forgets after any failure, after a new connection, and on Prepare, and it
// reads back what it relies on, with the settings and again with the trace:
// frequencies, resolution bandwidth, points, attenuation.
//
// An overdriven input lies about everything. The driver asks after each sweep
// and repeats an overloaded one with more attenuation; the trace says with how
// much it was taken.
package analyzer

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// Reasons why a trace is no measurement.
var (
	// ErrOverload: the input was overdriven while the trace was taken.
	ErrOverload = errors.New("input overload")
	// ErrReference: the analyzer does not follow the external frequency reference.
	ErrReference = errors.New("frequency reference not locked")
	// ErrSettings: the analyzer reads back other settings than it was told.
	ErrSettings = errors.New("the analyzer reads back other settings")
)

// GaussianNoiseFactor is the equivalent noise bandwidth of a Gaussian filter
// over its 3 dB bandwidth, sqrt(pi/(4 ln 2)).
const GaussianNoiseFactor = 1.0645

// Analyzer is a spectrum analyzer behind a session. It is for one goroutine at
// a time.
type Analyzer struct {
	// NoiseFactor is the equivalent noise bandwidth of the resolution filter
	// over its 3 dB bandwidth. New sets GaussianNoiseFactor; an inventory that
	// knows better replaces it before the first sweep.
	NoiseFactor float64

	line   dialect.Line
	set    setup  // settings known to be in force, "" where unknown
	actual actual // what was read back for them
	of     uint64 // generation of the session in which set was sent
}

// New returns the driver of the analyzer behind s, in the words of t. From here
// on the session stops a running sweep when it has to get in step again.
func New(s *scpi.Session, t *dialect.Table) *Analyzer {
	a := &Analyzer{NoiseFactor: GaussianNoiseFactor, line: dialect.Line{Session: s, Table: t}}
	if abort, err := t.Set("abort", nil); err == nil {
		s.SetAbort(strings.Join(abort, ";"))
	}
	return a
}

// Session returns the session the driver uses.
func (a *Analyzer) Session() *scpi.Session { return a.line.Session }

// maxAttenuation is the greatest input attenuation: the protected state.
func (a *Analyzer) maxAttenuation() rf.DB { return rf.DB(a.line.Table.Limits["max_attenuation"]) }

// protection stops a sweep, presets the analyzer if need be, and sets the
// greatest attenuation.
func (a *Analyzer) protection(preset bool) ([]string, error) {
	script := a.line.Table.Script().Set("abort", nil)
	if preset {
		script.Set("reset", nil)
	}
	return script.Set("attenuation", dialect.Values{"attenuation": dialect.Real(float64(a.maxAttenuation()))}).Units()
}

// Prepare presets the analyzer, leaves it at full attenuation with continuous
// sweeping off, selects RMS detector, power averaging and binary traces, and
// waits until it follows the external frequency reference. An analyzer that was
// restarted is no error here.
func (a *Analyzer) Prepare(ctx context.Context) error {
	a.forget()
	patience := a.line.Table.Timeout("reset")
	preset, err := a.protection(true)
	if err == nil {
		err = a.line.Session.Wait(ctx, patience, preset...)
	}
	if errors.Is(err, scpi.ErrRestarted) {
		err = a.line.Session.Wait(ctx, patience, preset...)
	}
	if err != nil {
		return fmt.Errorf("analyzer: preset: %w", err)
	}
	if a.line.Table.Has("prepare") {
		if err := a.line.Tell(ctx, "prepare", nil); err != nil {
			return fmt.Errorf("analyzer: prepare: %w", err)
		}
	}
	if err := a.Protect(ctx); err != nil {
		return err
	}
	return a.awaitLock(ctx)
}

// awaitLock polls the reference: an oscillator takes a while to lock.
func (a *Analyzer) awaitLock(ctx context.Context) error {
	most := cmp.Or(a.line.Table.Timeout("reference_locked"), dialect.DefaultTimeout(dialect.Settle))
	patience := time.NewTimer(most)
	defer patience.Stop()
	look := time.NewTicker(most / 50)
	defer look.Stop()
	for {
		locked, err := a.line.Bool(ctx, "reference_locked", nil)
		if err != nil {
			return fmt.Errorf("analyzer: reference: %w", err)
		}
		if locked {
			return nil
		}
		select {
		case <-look.C:
		case <-patience.C:
			return fmt.Errorf("analyzer: %w after %v; check the reference cable", ErrReference, most)
		case <-ctx.Done():
			return fmt.Errorf("analyzer: reference: %w", context.Cause(ctx))
		}
	}
}

// Protect stops a sweep and sets the greatest input attenuation. It returns nil
// only when the analyzer reads it back.
func (a *Analyzer) Protect(ctx context.Context) error {
	a.forget()
	least := float64(a.maxAttenuation()) - a.line.Table.Limits["attenuation_step"]/2
	full := func(answer []byte) bool {
		db, err := a.line.Table.Number("attenuation", answer)
		return err == nil && db >= least
	}
	commands, err := a.protection(false)
	if err == nil {
		err = a.line.Confirm(ctx, "attenuation", nil, full, commands...)
	}
	if err != nil {
		return fmt.Errorf("analyzer: protect: %w", err)
	}
	return nil
}

// Attenuation asks for the input attenuation in force.
func (a *Analyzer) Attenuation(ctx context.Context) (rf.DB, error) {
	x, err := a.line.Number(ctx, "attenuation", nil)
	if err != nil {
		return 0, fmt.Errorf("analyzer: attenuation: %w", err)
	}
	return rf.DB(x), nil
}

// forget drops what is known of the settings.
func (a *Analyzer) forget() { a.set = setup{} }
