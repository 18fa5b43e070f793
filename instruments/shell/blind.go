package shell

import (
	"context"
	"errors"
	"fmt"

	"benchyard/instruments/scpi"
)

// errBlind is why a connection is given up on which something was sent blindly.
var errBlind = errors.New("a line was sent without waiting for what it does")

// SwitchOff is Confirm for what must go off whether or not the unit still answers:
// where no proper answer came, lines are sent once more by Blind. The error stays.
func (s *Session) SwitchOff(ctx context.Context, query string, holds func(output string) bool, lines ...string) error {
	return scpi.LastResort(ctx, func(ctx context.Context) error {
		return s.Confirm(ctx, query, holds, lines...)
	}, func(ctx context.Context) error {
		return s.Blind(ctx, lines...)
	})
}

// Blind sends lines and waits for nothing, on the connection as it is and, if there
// is none, on a new one before its prompt was seen. It is the last resort for
// switching something off; nil says only that they were sent. The connection is given
// up at the next use. Where a user or a password is asked for in the stream, nothing
// can be typed blindly on a new connection, and that is an error.
func (s *Session) Blind(ctx context.Context, lines ...string) error {
	for _, line := range lines {
		if err := checkLine(line); err != nil {
			return scpi.Delivered(err, false)
		}
	}
	if err := s.acquire(ctx); err != nil {
		return scpi.Delivered(err, false)
	}
	defer s.release()
	if s.isClosed() {
		return scpi.Delivered(fmt.Errorf("shell: %s: %w", s.resource, scpi.ErrClosed), false)
	}
	l := s.current()
	if l == nil || s.discard(l) {
		s.drop(errEnded)
		var err error
		if l, err = s.reopen(ctx); err != nil {
			return scpi.Delivered(s.redacted(fmt.Errorf("shell: %s: %w", s.resource, err)), false)
		}
	}
	s.stale = errBlind
	for _, line := range lines {
		if err := scpi.Permit(ctx, s.config.Guard); err != nil {
			return scpi.Delivered(fmt.Errorf("shell: %s: %w", s.resource, err), false)
		}
		s.note("sent without waiting for an answer")
		s.record(scpi.Sent, line)
		if err := l.write(ctx, line+s.config.Manner.Newline); err != nil {
			return scpi.Delivered(s.redacted(fmt.Errorf("shell: %s: %.80q: %w", s.resource, line, err)), true)
		}
	}
	return nil
}

// reopen opens a stream that is fit for lines before its prompt was seen.
func (s *Session) reopen(ctx context.Context) (*link, error) {
	if !s.config.Login.SSH && (s.speech.user != nil || s.speech.password != nil) {
		return nil, errors.New("it asks who logs in, which needs answers")
	}
	if err := scpi.Permit(ctx, s.config.Guard); err != nil {
		return nil, err
	}
	l, err := s.open(ctx)
	if err != nil {
		return nil, err
	}
	return l, s.adopt(l)
}

// Blind is Session.Blind for a unit with which no session came about: on a connection
// of its own, which is closed behind the lines.
func Blind(ctx context.Context, resource scpi.Resource, config Config, lines ...string) error {
	s, err := newSession(resource, config)
	if err != nil {
		return err
	}
	s.turn <- struct{}{}
	return errors.Join(s.Blind(ctx, lines...), s.Close())
}
