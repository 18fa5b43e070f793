package scpi

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// ErrUnconfirmed: commands were sent, but reading back does not show their effect.
var ErrUnconfirmed = errors.New("not confirmed by reading back")

// Confirm sends commands and, behind them, a query whose answer shows whether
// they took effect; holds judges it. It is made for safe states, so the commands
// must bear repetition: after any failure but a refusal or the end of ctx it
// tries once more, on a new connection where needed. An echo stands between
// commands and query: even an instrument that answers twice or out of turn
// cannot confirm with what it said earlier. What was read back counts: an entry
// in the error queue is an error only when holds is false, which is
// ErrUnconfirmed. A restart noticed on the way is left for the next caller, who
// has settings to restore.
func (s *Session) Confirm(ctx context.Context, query string, holds func(answer string) bool, commands ...string) error {
	if err := s.acquire(ctx); err != nil {
		return unsent(err)
	}
	defer s.release()
	answer, queued, err := s.confirm(ctx, query, commands)
	if err != nil && ctx.Err() == nil && !errors.Is(err, ErrRefused) && !errors.Is(err, ErrClosed) {
		answer, queued, err = s.confirm(ctx, query, commands)
	}
	if err != nil {
		return err
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

// confirm is one attempt of Confirm.
func (s *Session) confirm(ctx context.Context, query string, commands []string) (answer string, queued Error, err error) {
	probe, echo := s.probe()
	units := append(slices.Clone(commands), strings.Split(probe, ";")...)
	messages, err := compose(append(units, "*ESE 0", query, errorQuery), s.config.MaxMessage)
	if err != nil {
		return "", Error{}, unsent(err)
	}
	if err := s.inStep(ctx); err != nil {
		return "", Error{}, unsent(err)
	}
	answers, err := s.converse(ctx, 0, messages)
	if err != nil {
		return "", Error{}, err
	}
	if string(answers[0])+";"+string(answers[1]) != echo {
		err = errors.New("another message is answered")
	} else {
		queued, err = ParseError(string(answers[3]))
	}
	if err != nil {
		s.suspect = fmt.Errorf("scpi: %s: %.80q: %w: %w", s.resource, query, ErrAnswer, err)
		return "", Error{}, sent(s.suspect)
	}
	return string(answers[2]), queued, nil
}

// IsOff holds for a Boolean answer that is false.
func IsOff(answer string) bool {
	on, err := boolean(answer)
	return err == nil && !on
}

// IsOn holds for a Boolean answer that is true.
func IsOn(answer string) bool {
	on, err := boolean(answer)
	return err == nil && on
}
