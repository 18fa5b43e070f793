package scpi

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
)

// Ask sends queries joined into as few messages as possible and hands the answers,
// as sent, to decode while nobody else can use the session. An error of decode
// other than ErrNotMeasured makes the session suspect: an answer of the wrong kind
// may belong to another question.
func (s *Session) Ask(ctx context.Context, decode func(answers []string) error, queries ...string) error {
	for _, q := range queries {
		if query, err := checkUnit(q); err != nil || !query {
			return unsent(cmp.Or(err, fmt.Errorf("scpi: %.40q is a command, want a query", q)))
		}
	}
	messages, err := compose(queries, s.config.MaxMessage)
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
	texts := make([]string, len(answers))
	for i, a := range answers {
		texts[i] = string(a)
	}
	if err := decode(texts); err != nil {
		err = fmt.Errorf("scpi: %s: %.80q: %w", s.resource, strings.Join(queries, ";"), err)
		if !errors.Is(err, ErrNotMeasured) {
			s.suspect = err
			s.note("%v", err)
		}
		return sent(err)
	}
	return nil
}
