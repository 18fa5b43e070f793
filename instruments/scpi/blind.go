package scpi

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Kept back of the time of a confirmed switching off for the command that goes out
// without an answer: a fifth of what is left, at most longestReserve. That is enough
// for a new connection within one network (common practice, no source).
const (
	reservedShare  = 5
	longestReserve = 250 * time.Millisecond
)

// errBlind is why a connection is given up on which something was sent blindly.
var errBlind = errors.New("a command was sent without waiting for what it does")

// SwitchOff is Confirm for what must go off whether or not the instrument still
// answers: where no proper answer came, commands are sent once more by Blind. Its
// error stays, since nobody knows whether they were heeded. Part of the time that
// ctx leaves is kept for that.
func (s *Session) SwitchOff(ctx context.Context, query string, holds func(answer string) bool, commands ...string) error {
	return LastResort(ctx, func(ctx context.Context) error {
		return s.Confirm(ctx, query, holds, commands...)
	}, func(ctx context.Context) error {
		return s.Blind(ctx, commands...)
	})
}

// LastResort runs confirmed, which switches something off and reads it back, and,
// where that failed because of missing or bad answers, blind, which only sends.
// Confirmed gets a little less time than ctx has, blind the rest. A refused write, a
// closed session, another instrument, and one that says that it is still on are no
// reason to send anything blindly. The error is that of confirmed, with what became
// of the last resort.
func LastResort(ctx context.Context, confirmed, blind func(context.Context) error) error {
	early, cancel := ctx, context.CancelFunc(func() {})
	if end, ok := ctx.Deadline(); ok {
		early, cancel = context.WithDeadline(ctx, end.Add(-min(time.Until(end)/reservedShare, longestReserve)))
	}
	err := confirmed(early)
	cancel()
	if err == nil || ctx.Err() != nil || !mayReconnect(err) || errors.Is(err, ErrUnconfirmed) {
		return err
	}
	if failed := blind(ctx); failed != nil {
		return fmt.Errorf("%w; sending it once more without waiting for an answer failed too: %v", err, failed)
	}
	return fmt.Errorf("%w; it was sent once more without waiting for an answer", err)
}

// Blind sends commands and waits for nothing: neither for the connection to come in
// step nor for what the instrument says of them. They go out on the connection as it
// is and, if that is broken, on a new one, whose instrument nobody has asked who it
// is. It is the last resort for switching something off; nil says only that they
// were sent. The connection is given up at the next use, so that nothing it still
// delivers can be taken for an answer. Queries are refused.
func (s *Session) Blind(ctx context.Context, commands ...string) error {
	messages, err := compose(commands, s.config.MaxMessage)
	for _, m := range messages {
		if m.queries > 0 {
			err = fmt.Errorf("scpi: %.80q: a query cannot be sent without waiting for its answer", m.text)
		}
	}
	if err != nil {
		return unsent(err)
	}
	if err := s.acquire(ctx); err != nil {
		return unsent(err)
	}
	defer s.release()
	if s.isClosed() {
		return unsent(fmt.Errorf("scpi: %s: %w", s.resource, ErrClosed))
	}
	return s.blind(ctx, messages)
}

// Blind is Session.Blind for an instrument with which no session came about: on a
// connection of its own, which is closed behind the commands.
func Blind(ctx context.Context, resource Resource, config Config, commands ...string) error {
	s, err := newSession(resource, config)
	if err != nil {
		return err
	}
	s.turn <- struct{}{}
	if err := s.Blind(ctx, commands...); err != nil {
		return errors.Join(err, s.Close())
	}
	// Not by a reset, as Close would: what was sent is to arrive.
	return s.link.Close()
}

// blind is Blind with the turn held.
func (s *Session) blind(ctx context.Context, messages []message) error {
	if s.link != nil && !s.link.broken {
		_, err := s.link.pending()
		if err == nil {
			err = s.throw(ctx, messages, 2)
		}
		if err == nil || errors.Is(err, ErrRefused) {
			return err
		}
	}
	s.drop(errBlind)
	if err := s.permit(ctx); err != nil {
		return err
	}
	w, err := s.dial(ctx)
	if err != nil {
		return unsent(fmt.Errorf("scpi: %s: cannot connect: %w", s.resource, err))
	}
	if err := s.adopt(newLink(w)); err != nil {
		return unsent(err)
	}
	s.note("connected to %s", s.resource)
	return s.throw(ctx, messages, 1)
}

// throw writes messages on the connection at hand within a share of the time, and
// leaves it marked as one that cannot be used any more.
func (s *Session) throw(ctx context.Context, messages []message, share time.Duration) error {
	if err := s.permit(ctx); err != nil {
		return err
	}
	s.suspect, s.link.broken = errBlind, true
	s.note("sent without waiting for an answer")
	left := s.config.Timeout
	if end, ok := ctx.Deadline(); ok {
		left = min(left, time.Until(end)/share)
	}
	if err := s.link.watch(ctx, time.Now().Add(left)); err != nil {
		return unsent(fmt.Errorf("scpi: %s: %w", s.resource, err))
	}
	defer s.link.unwatch()
	for _, m := range messages {
		if _, err := s.link.send(m.text); err != nil {
			return sent(fmt.Errorf("scpi: %s: %.80q: %w", s.resource, m.text, err))
		}
		s.record(Sent, m.text)
	}
	return nil
}
