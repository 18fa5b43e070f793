package scpi

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// ErrUnconfirmed: commands were sent, but reading back does not show their effect.
var ErrUnconfirmed = errors.New("not confirmed by reading back")

// Confirm sends commands and, behind them, a query whose answer shows whether
// they took effect; holds judges it. It is made for safe states, so the commands
// must bear repetition: after any failure but a refusal or the end of ctx it
// tries once more, on a new connection where needed. What was read back counts:
// an entry in the error queue is an error only when holds is false, which is
// ErrUnconfirmed.
func (s *Session) Confirm(ctx context.Context, query string, holds func(answer string) bool, commands ...string) error {
	units := append(append([]string(nil), commands...), query, errorQuery)
	if err := s.acquire(ctx); err != nil {
		return unsent(err)
	}
	defer s.release()
	answers, err := s.insist(ctx, units)
	if err != nil {
		return err
	}
	answer := string(answers[0])
	queued, bad := ParseError(string(answers[1]))
	if bad != nil {
		s.suspect = bad
		return sent(fmt.Errorf("scpi: %s: %.80q: %w: %w", s.resource, query, ErrAnswer, bad))
	}
	if queued.Number != 0 {
		if _, err := s.drainErrors(ctx); err != nil {
			s.note("%v", err)
		}
	}
	switch {
	case holds(answer):
		return nil
	case queued.Number != 0:
		return sent(fmt.Errorf("scpi: %s: %.120q: %w: %s answers %.40q; the instrument reports: %w",
			s.resource, strings.Join(commands, ";"), ErrUnconfirmed, query, answer, &queued))
	}
	return sent(fmt.Errorf("scpi: %s: %.120q: %w: %s answers %.40q", s.resource, strings.Join(commands, ";"), ErrUnconfirmed, query, answer))
}

// insist runs units, and once more after a failure. A restart it sees on the way
// is kept for the next caller, who has settings to restore.
func (s *Session) insist(ctx context.Context, units []string) ([][]byte, error) {
	restarted := false
	defer func() { s.restart = s.restart || restarted }()
	for attempt := 1; ; attempt++ {
		messages, err := compose(units, s.config.MaxMessage)
		if err != nil {
			return nil, unsent(err)
		}
		answers, err := s.exchange(ctx, 0, messages)
		if err == nil {
			return answers, nil
		}
		restarted = restarted || errors.Is(err, ErrRestarted)
		if attempt == 2 || ctx.Err() != nil || errors.Is(err, ErrRefused) || errors.Is(err, ErrClosed) {
			return nil, err
		}
	}
}

// IsOff holds for a Boolean answer that is false.
func IsOff(answer string) bool {
	on, err := ParseBool([]byte(answer))
	return err == nil && !on
}

// IsOn holds for a Boolean answer that is true.
func IsOn(answer string) bool {
	on, err := ParseBool([]byte(answer))
	return err == nil && on
}
