// Package analyzer drives a swept spectrum analyzer as a source of traces: mean
// power through the resolution filter over frequency, RMS detector, averages
// over power. Everything else an analyzer can compute is left to the program,
// where it can be tested.
//
// A sweep costs round trips, and a campaign takes tens of thousands of them. The
// driver therefore remembers what it has set and sends only what changed. It
// forgets after any failure, after a new connection, and on Prepare, and it
// reads back what it relies on, before the sweep and with the trace:
// frequencies, resolution bandwidth, points, attenuation.
package analyzer

import (
	"context"
	"errors"
	"fmt"
	"time"

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

// Limits are what one family of analyzers can do.
type Limits struct {
	MaxPoints       int   // points of one trace
	MaxAttenuation  rf.DB // greatest input attenuation: the protected state
	AttenuationStep rf.DB
	PresetTime      time.Duration // longest preset
	LockTime        time.Duration // longest time to lock to the reference
}

// Analyzer is a spectrum analyzer behind a session. It is for one goroutine at
// a time.
type Analyzer struct {
	// NoiseFactor is the equivalent noise bandwidth of the resolution filter
	// over its 3 dB bandwidth. New sets GaussianNoiseFactor; an inventory that
	// knows better replaces it before the first sweep.
	NoiseFactor float64

	session *scpi.Session
	dialect Dialect
	limits  Limits
	set     setup  // settings known to be in force, "" where unknown
	actual  actual // what was read back for them
	of      uint64 // generation of the session in which set was sent
}

// New returns the driver of the analyzer behind s, in the standard dialect. From
// here on the session stops a running sweep when it has to get in step again.
func New(s *scpi.Session) *Analyzer {
	s.SetAbort(standard.Abort)
	return &Analyzer{NoiseFactor: GaussianNoiseFactor, session: s, dialect: standard, limits: standardLimits}
}

// Session returns the session the driver uses.
func (a *Analyzer) Session() *scpi.Session { return a.session }

// Limits returns what the analyzer can do.
func (a *Analyzer) Limits() Limits { return a.limits }

// Prepare presets the analyzer, leaves it at full attenuation with continuous
// sweeping off, selects RMS detector, power averaging and binary traces, and
// waits until it follows the external frequency reference. An analyzer that was
// restarted is no error here.
func (a *Analyzer) Prepare(ctx context.Context) error {
	a.forget()
	d := a.dialect
	preset := []string{d.Abort, d.Reset, d.full(a.limits)}
	err := a.session.Wait(ctx, a.limits.PresetTime, preset...)
	if errors.Is(err, scpi.ErrRestarted) {
		err = a.session.Wait(ctx, a.limits.PresetTime, preset...)
	}
	if err != nil {
		return fmt.Errorf("analyzer: preset: %w", err)
	}
	if err := a.session.Command(ctx, d.Prepare...); err != nil {
		return fmt.Errorf("analyzer: prepare: %w", err)
	}
	if err := a.Protect(ctx); err != nil {
		return err
	}
	return a.awaitLock(ctx)
}

// awaitLock polls the reference: an oscillator takes a while to lock.
func (a *Analyzer) awaitLock(ctx context.Context) error {
	patience := time.NewTimer(a.limits.LockTime)
	defer patience.Stop()
	look := time.NewTicker(a.limits.LockTime / 50)
	defer look.Stop()
	for {
		locked, err := a.session.QueryBool(ctx, a.dialect.AskLocked)
		if err != nil {
			return fmt.Errorf("analyzer: reference: %w", err)
		}
		if locked {
			return nil
		}
		select {
		case <-look.C:
		case <-patience.C:
			return fmt.Errorf("analyzer: %w after %v; check the reference cable", ErrReference, a.limits.LockTime)
		case <-ctx.Done():
			return fmt.Errorf("analyzer: reference: %w", context.Cause(ctx))
		}
	}
}

// Protect stops a sweep and sets the greatest input attenuation. It returns nil
// only when the analyzer reads it back.
func (a *Analyzer) Protect(ctx context.Context) error {
	a.forget()
	full := func(answer string) bool {
		db, err := scpi.ParseNumber([]byte(answer), "")
		return err == nil && rf.DB(db) >= a.limits.MaxAttenuation-a.limits.AttenuationStep/2 && db < scpi.SpecialNumber
	}
	err := a.session.Confirm(ctx, a.dialect.AskAttenuation, full, a.dialect.Abort, a.dialect.full(a.limits))
	if err != nil {
		return fmt.Errorf("analyzer: protect: %w", err)
	}
	return nil
}

// forget drops what is known of the settings.
func (a *Analyzer) forget() { a.set = setup{} }
