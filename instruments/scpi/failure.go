package scpi

import (
	"context"
	"errors"
	"fmt"
)

// Kinds of failure a caller may branch on with errors.Is. Errors from an
// instrument's error queue are *Error instead.
var (
	// ErrTimeout: no complete answer came in time. The session proves its
	// connection empty before the next use.
	ErrTimeout = errors.New("no answer in time")
	// ErrAnswer: an answer came that does not fit the question.
	ErrAnswer = errors.New("answer does not fit the question")
	// ErrNotMeasured: the instrument answered with a special number (infinity,
	// "not a number"): valid syntax, but no measured value.
	ErrNotMeasured = errors.New("not a measured value")
	// ErrRestarted: the instrument has been switched on since the connection
	// before, so its settings are lost, or the connection broke off before it
	// could tell. The message was not sent. The session itself is usable; the
	// caller prepares the instrument again.
	ErrRestarted = errors.New("instrument was restarted, or may have been, and lost its settings")
	// ErrWrongInstrument: another instrument answers at the resource than before.
	ErrWrongInstrument = errors.New("another instrument answers")
	// ErrRefused: the guard did not permit the write. The reason is wrapped too.
	ErrRefused = errors.New("write refused")
	// ErrClosed: Close was called.
	ErrClosed = errors.New("session is closed")
)

// delivery wraps an error with what is known of the message it belongs to.
type delivery struct {
	err  error
	sent bool
}

func (d *delivery) Error() string { return d.err.Error() }
func (d *delivery) Unwrap() error { return d.err }

// Delivered marks an error of a connection of another kind for SafeToRetry: sent
// tells whether anything of the caller's message can have reached the instrument.
func Delivered(err error, sent bool) error { return &delivery{err: err, sent: sent} }

func unsent(err error) error { return &delivery{err: err} }
func sent(err error) error   { return &delivery{err: err, sent: true} }

// SafeToRetry reports whether err came from a session before anything of the
// caller's message reached the instrument, so that sending it again cannot do it
// twice. It is false for nil.
func SafeToRetry(err error) bool {
	var d *delivery
	return errors.As(err, &d) && !d.sent
}

type guardKey struct{}

// WithGuard returns a context for calls that use guard in place of
// Config.Guard. It is the door for safe state: switching things off must stay
// possible when the lease that permits everything else is gone. A nil guard
// permits every write.
func WithGuard(ctx context.Context, guard func() error) context.Context {
	return context.WithValue(ctx, guardKey{}, guard)
}

// Permit asks the guard of ctx (see WithGuard), or guard where it has none,
// whether something may be written to an instrument. The error is ErrRefused with
// the reason. Connections of every kind ask it before each write.
func Permit(ctx context.Context, guard func() error) error {
	if other, ok := ctx.Value(guardKey{}).(func() error); ok {
		guard = other
	}
	if guard == nil {
		return nil
	}
	if err := guard(); err != nil {
		return fmt.Errorf("%w: %w", ErrRefused, err)
	}
	return nil
}

// permit asks the guard that applies to ctx whether a message may be written.
func (s *Session) permit(ctx context.Context) error {
	if err := Permit(ctx, s.config.Guard); err != nil {
		return unsent(fmt.Errorf("scpi: %s: %w", s.resource, err))
	}
	return nil
}
