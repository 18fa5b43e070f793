package scpi

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"time"
)

// Fetched is what Session.Fetch brings.
type Fetched struct {
	// Answers are those to the queries before the block.
	Answers [][]byte
	// Numbers is what the block holds, behind the numbers it was appended to.
	Numbers []float64
	// Err says why the last answer is no block of such numbers, nil when it is. The
	// answers before it may tell the reason, which is why they come along.
	Err error
}

// Fetch is Exchange for units of which the last is a query that is answered with
// a block of numbers, the only one. They are appended to dst, on a socket while they
// arrive, so that a long trace is never held twice. After a last answer of another kind, Fetched.Err,
// the session proves itself in step before it is used again: the answer may belong
// to another question.
func (s *Session) Fetch(ctx context.Context, timeout time.Duration, format RealFormat, dst []float64, units ...string) (Fetched, error) {
	messages, err := compose(units, s.config.MaxMessage)
	if err != nil {
		return Fetched{}, unsent(err)
	}
	asked := units[len(units)-1]
	if query, err := checkUnit(asked); err != nil || !query {
		return Fetched{}, unsent(cmp.Or(err, fmt.Errorf("scpi: %.40q is a command, want a query", asked)))
	}
	block := collector{format: format, xs: dst}
	messages[len(messages)-1].sink = block.take
	if err := s.acquire(ctx); err != nil {
		return Fetched{}, unsent(err)
	}
	defer s.release()
	answers, err := s.exchange(ctx, timeout, messages)
	if err != nil {
		return Fetched{}, err
	}
	last := len(answers) - 1
	got := Fetched{Answers: answers[:last]}
	if block.holds(answers) {
		got.Numbers = block.xs
		return got, nil
	}
	xs, err := s.whole(format, answers[last])
	if block.full {
		err = fmt.Errorf("%w: %.80q holds a block that was not asked for", ErrAnswer, answers)
	}
	if err != nil {
		s.suspect = fmt.Errorf("scpi: %s: %.80q: %w", s.resource, strings.TrimSpace(asked), err)
		s.note("%v", s.suspect)
		got.Err = sent(s.suspect)
		return got, nil
	}
	got.Numbers = append(dst, xs...)
	return got, nil
}

// whole decodes a block that is in the response, as HiSLIP brings it.
func (s *Session) whole(format RealFormat, answer []byte) ([]float64, error) {
	payload, err := s.block(answer)
	if err != nil {
		return nil, err
	}
	xs, err := format.Decode(payload)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrAnswer, err)
	}
	return xs, nil
}
