package scpi

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// errorQuery reads and removes the oldest entry of the error queue.
const errorQuery = ":SYST:ERR?"

var errEndless = errors.New("error queue does not become empty")

// Command sends commands, and reads the error queue in the last of the messages
// they make. An entry found there comes back as *Error; further entries are
// removed from the queue and counted in the text.
func (s *Session) Command(ctx context.Context, units ...string) error {
	for _, unit := range units {
		if query, err := checkUnit(unit); err != nil || query {
			return unsent(cmp.Or(err, fmt.Errorf("scpi: %.40q is a query, want a command", unit)))
		}
	}
	messages, err := compose(append(slices.Clone(units), errorQuery), s.config.MaxMessage)
	if err != nil {
		return unsent(err)
	}
	if err := s.acquire(ctx); err != nil {
		return unsent(err)
	}
	defer s.release()
	answers, err := s.exchange(ctx, 0, messages)
	if err != nil {
		return err
	}
	return s.refusal(ctx, strings.Join(units, ";"), answers[0])
}

// refusal turns an answer of the error queue into an error, nil for no entry.
func (s *Session) refusal(ctx context.Context, what string, answer []byte) error {
	first, err := ParseError(string(answer))
	if err != nil {
		s.suspect = err
		return sent(fmt.Errorf("scpi: %s: %.200q: %w: %w", s.resource, what, ErrAnswer, err))
	}
	if first.Number == 0 {
		return nil
	}
	more, err := s.drainErrors(ctx)
	text := ""
	if len(more) > 0 {
		text = fmt.Sprintf(" (and %d more)", len(more))
	}
	if err != nil {
		return sent(fmt.Errorf("scpi: %s: %.200q refused: %w%s; then: %w", s.resource, what, &first, text, err))
	}
	return sent(fmt.Errorf("scpi: %s: %.200q refused: %w%s", s.resource, what, &first, text))
}

// Query sends one query and returns the answer as sent, without its terminator:
// strings keep their quotes (see Unquote).
func (s *Session) Query(ctx context.Context, query string) (string, error) {
	var text string
	err := s.ask(ctx, query, func(answer []byte) error {
		text = string(answer)
		return nil
	})
	return text, err
}

// QueryNumber returns a numeric answer. Special numbers (9.9E37 and up in
// magnitude) are ErrNotMeasured; anything else that is not one plain number,
// nothing included, is ErrAnswer.
func (s *Session) QueryNumber(ctx context.Context, query string) (float64, error) {
	var x float64
	err := s.ask(ctx, query, func(answer []byte) (err error) {
		if x, err = ParseNumber(answer, ""); err != nil {
			return fmt.Errorf("%w: %w", ErrAnswer, err)
		}
		if math.Abs(x) >= SpecialNumber {
			return fmt.Errorf("%w: %g", ErrNotMeasured, x)
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	return x, nil
}

// QueryBool returns a Boolean answer: 0 or 1 (vol. 1, 7.3). ON and OFF are
// understood too; anything else is ErrAnswer.
func (s *Session) QueryBool(ctx context.Context, query string) (bool, error) {
	var on bool
	err := s.ask(ctx, query, func(answer []byte) (err error) {
		on, err = boolean(string(answer))
		return err
	})
	return on, err
}

// boolean decodes a Boolean answer, more strictly than ParseBool does program
// data: rounding could take any small reading for "off".
func boolean(answer string) (bool, error) {
	switch strings.ToUpper(strings.TrimPrefix(answer, "+")) {
	case "0", "OFF":
		return false, nil
	case "1", "ON":
		return true, nil
	}
	return false, fmt.Errorf("%w: %.40q is neither 0 nor 1", ErrAnswer, answer)
}

// QueryBlock returns the payload of an answer that is one block, of definite
// length unless Config.TextBlocks or HiSLIP permit the other kind.
func (s *Session) QueryBlock(ctx context.Context, query string) ([]byte, error) {
	var payload []byte
	err := s.ask(ctx, query, func(answer []byte) (err error) {
		payload, err = s.block(answer)
		return err
	})
	return payload, err
}

// block returns the payload of an answer. One of indefinite length got here only
// where its end is known.
func (s *Session) block(answer []byte) ([]byte, error) {
	if payload, ok := bytes.CutPrefix(answer, []byte("#0")); ok && s.link.endless() {
		return payload, nil
	}
	payload, err := ParseBlock(answer)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrAnswer, err)
	}
	return payload, nil
}

// Wait sends commands, if any, and returns when every operation under way has
// ended, by "*OPC?". The timeout is that of the operation, zero means
// Config.Timeout. When it expires, or ctx is done, the operation may still be
// running: see SetAbort.
func (s *Session) Wait(ctx context.Context, timeout time.Duration, commands ...string) error {
	units := append(slices.Clone(commands), "*OPC?")
	return s.decoded(ctx, timeout, 1, units, func(answers [][]byte) error {
		answer := answers[0]
		if v, err := ParseNumber(answer, ""); err != nil || v != 1 {
			return fmt.Errorf("%w: %.40q, want 1", ErrAnswer, answer)
		}
		return nil
	})
}

// DrainErrors reads the error queue until it is empty and returns its entries.
// After 64 entries it gives up and returns them with an error.
func (s *Session) DrainErrors(ctx context.Context) ([]Error, error) {
	if err := s.acquire(ctx); err != nil {
		return nil, unsent(err)
	}
	defer s.release()
	if err := s.ready(ctx); err != nil {
		return nil, unsent(err)
	}
	return s.drainErrors(ctx)
}

func (s *Session) drainErrors(ctx context.Context) ([]Error, error) {
	var queued []Error
	for range maxErrors {
		answers, err := s.roundTrip(ctx, 0, message{text: []byte(errorQuery), queries: 1})
		if err != nil {
			return queued, err
		}
		e, err := ParseError(string(answers[0]))
		if err != nil {
			s.suspect = err
			return queued, sent(fmt.Errorf("scpi: %s: %w: %w", s.resource, ErrAnswer, err))
		}
		if e.Number == 0 {
			return queued, nil
		}
		queued = append(queued, e)
	}
	return queued, sent(fmt.Errorf("scpi: %s: %w after %d entries, the last is %w", s.resource, errEndless, maxErrors, &queued[maxErrors-1]))
}

// Identity asks the instrument for its identity. One that is not the instrument
// of the first connection is ErrWrongInstrument; the firmware may have changed.
func (s *Session) Identity(ctx context.Context) (Identity, error) {
	var id Identity
	err := s.ask(ctx, "*IDN?", func(answer []byte) (err error) {
		if id, err = ParseIdentity(string(answer)); err != nil {
			return fmt.Errorf("%w: %w", ErrAnswer, err)
		}
		if !id.SameInstrument(s.identity) {
			s.link.broken = true // a new connection is compared before it is used
			return fmt.Errorf("%w: %s, before it was %s", ErrWrongInstrument, id, s.identity)
		}
		s.identity = id
		return nil
	})
	if err != nil {
		return Identity{}, err
	}
	return id, nil
}
