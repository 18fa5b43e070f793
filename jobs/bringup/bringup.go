// Package bringup takes a radio unit to a carrier that may be measured: as a list
// of named steps, each with what is done, what must be true afterwards, how long it
// may take and how often it is tried. The order is that of a transceiver engineer
// who does it by hand: down with the power, the air frame stopped, the oscillator
// to its new place, calibrated there, tracking until it has converged, on the air
// at low power, looked at, and up to full power.
//
// The concept on one screen:
//
//	Task.Tune()     the steps from anywhere to a new carrier, bring-up and retune alike
//	Task.Reroute()  the steps to another connector with the same carrier
//	Task.Place(), Task.Air()  parts of these, for tests that have a unit do something
//	                else than send its test model
//	Run(ctx, ...)   takes steps in their order; the records of all it came to, and
//	                the *StepError of the one that failed
//
// A step needs capabilities of the unit. One that the unit's dialect has no words
// for is left to the unit itself and recorded so. The package knows neither
// database nor queue: whoever runs the steps drives the bench to its safe state
// when one fails, and calls that an error of the bench, never a fail of the unit.
package bringup

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/scpi"
)

// Step is one step of a bring-up.
type Step struct {
	Name string
	// Needs lists what the unit must be able to be told; where it lacks one of these
	// the step is its own business.
	Needs []radiounit.Capability
	// Timeout is the longest time for one try, in wall time.
	Timeout time.Duration
	// Retries is how often the step is tried again after it failed.
	Retries int
	// Waits says that the step takes so long that people want to know of it.
	Waits bool
	// Do does it and says in a few words what came of it, or nothing.
	Do func(ctx context.Context) (detail string, err error)
	// Holds asks whether it came true; nil where Do reads back each thing it tells.
	Holds func(ctx context.Context) (detail string, err error)
}

// Outcome is what became of a step.
type Outcome string

// The outcomes of steps.
const (
	Done   Outcome = "done"
	Itself Outcome = "by the unit itself"
	Failed Outcome = "failed"
)

// Record is a step that was come to.
type Record struct {
	Name    string
	Outcome Outcome
	Detail  string // what came of it, or the error
	Tries   int    // 0 where the unit does it by itself
	Began   time.Time
	Took    time.Duration
}

// StepError is the error of the step at which a bring-up ended.
type StepError struct {
	Step string
	Err  error
}

// Error names the step.
func (e *StepError) Error() string { return fmt.Sprintf("bringup: %s: %v", e.Step, e.Err) }

// Unwrap returns why it failed.
func (e *StepError) Unwrap() error { return e.Err }

// Run takes the steps in their order until one fails. has tells what the unit can be
// told; say is called before every step that the unit needs. The records are of the
// steps it came to, the one that failed included. When ctx ends, the error is its
// cause.
func Run(ctx context.Context, steps []Step, has func(radiounit.Capability) bool, say func(Step)) ([]Record, error) {
	var records []Record
	for _, s := range steps {
		if ctx.Err() != nil {
			return records, context.Cause(ctx)
		}
		r := Record{Name: s.Name, Began: time.Now()}
		var err error
		if lacks(s, has) {
			r.Outcome = Itself
		} else {
			say(s)
			r.Outcome = Done
			err = s.take(ctx, &r)
		}
		r.Took = time.Since(r.Began)
		if err != nil {
			r.Outcome, r.Detail = Failed, err.Error()
		}
		records = append(records, r)
		switch {
		case err != nil && ctx.Err() != nil:
			return records, context.Cause(ctx)
		case err != nil:
			return records, &StepError{s.Name, err}
		}
	}
	return records, nil
}

func lacks(s Step, has func(radiounit.Capability) bool) bool {
	for _, c := range s.Needs {
		if !has(c) {
			return true
		}
	}
	return false
}

// take tries the step as often as it may be tried.
func (s Step) take(ctx context.Context, r *Record) error {
	for {
		r.Tries++
		detail, err := s.once(ctx)
		if err == nil {
			r.Detail = detail
			return nil
		}
		// A unit that was restarted has forgotten the steps before this one.
		if r.Tries > s.Retries || ctx.Err() != nil || errors.Is(err, scpi.ErrRestarted) || errors.Is(err, ErrUnsafe) {
			return err
		}
	}
}

// once does the step and asks whether it came true, within its time.
func (s Step) once(ctx context.Context) (string, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, s.Timeout, fmt.Errorf("not done within %s", s.Timeout))
	defer cancel()
	detail, err := s.Do(ctx)
	if err == nil && s.Holds != nil {
		var seen string
		if seen, err = s.Holds(ctx); seen != "" {
			detail = joined(detail, seen)
		}
	}
	if err != nil && ctx.Err() != nil {
		if cause := context.Cause(ctx); !errors.Is(err, cause) {
			err = fmt.Errorf("%w: %w", cause, err)
		}
	}
	return detail, err
}

func joined(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

// ErrUnsafe marks what must not be tried again: an interlock says no.
var ErrUnsafe = errors.New("nothing may transmit")
