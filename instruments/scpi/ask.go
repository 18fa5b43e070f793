package scpi

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Ask sends queries joined into as few messages as possible and hands the answers,
// as sent, to decode while nobody else can use the session. An error of decode
// other than ErrNotMeasured makes the session suspect: an answer of the wrong kind
// may belong to another question.
func (s *Session) Ask(ctx context.Context, decode func(answers []string) error, queries ...string) error {
	return s.decoded(ctx, 0, len(queries), queries, func(answers [][]byte) error { return decode(texts(answers)) })
}

// Batch sends queries joined into as few messages as possible and returns one
// answer for each, as sent. A wrong number of answers is ErrAnswer and none of
// them is returned: nobody could say which is missing.
func (s *Session) Batch(ctx context.Context, queries ...string) (answers []string, err error) {
	err = s.decoded(ctx, 0, len(queries), queries, func(got [][]byte) error {
		answers = texts(got)
		return nil
	})
	return answers, err
}

// texts returns answers as strings that share one piece of memory.
func texts(answers [][]byte) []string {
	size := 0
	for _, a := range answers {
		size += len(a)
	}
	var joined strings.Builder
	joined.Grow(size)
	all := make([]string, len(answers))
	for i, a := range answers {
		joined.Write(a)
		all[i] = joined.String()[joined.Len()-len(a):]
	}
	return all
}

// ask sends one query and decodes its answer.
func (s *Session) ask(ctx context.Context, query string, decode func(answer []byte) error) error {
	return s.decoded(ctx, 0, 1, []string{query}, func(answers [][]byte) error { return decode(answers[0]) })
}

// decoded sends units with so many queries among them and decodes the answers
// while the turn is held.
func (s *Session) decoded(ctx context.Context, timeout time.Duration, queries int, units []string, decode func(answers [][]byte) error) error {
	messages, err := compose(units, s.config.MaxMessage)
	found := 0
	for _, m := range messages {
		found += m.queries
	}
	if err == nil && found != queries {
		err = fmt.Errorf("scpi: %.80q holds %d queries, want %d", units, found, queries)
	}
	if err != nil {
		return unsent(err)
	}
	if err := s.acquire(ctx); err != nil {
		return unsent(err)
	}
	defer s.release()
	answers, err := s.exchange(ctx, timeout, messages)
	if err != nil {
		return err
	}
	if err := decode(answers); err != nil {
		err = fmt.Errorf("scpi: %s: %.80q: %w", s.resource, strings.Join(units, ";"), err)
		if !errors.Is(err, ErrNotMeasured) {
			s.suspect = err
			s.note("%v", err)
		}
		return sent(err)
	}
	return nil
}
