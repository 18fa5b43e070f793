package scpi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

// message is a program message ready to be sent.
type message struct {
	text    []byte // without terminator
	queries int
	waits   bool // holds *OPC? or *WAI: the instrument may not listen until it has finished
	sink    sink // takes the blocks of the answer where they come as a stream, nil for none
}

// Exchange sends commands and queries in the order given, joined into as few
// messages as Config.MaxMessage allows, and returns one answer per query. It is
// what every other method is made of. Units without a leading ':' or '*' get the
// colon, so that no unit depends on the one before. The timeout bounds each
// message; zero means Config.Timeout. Wrong answer counts are ErrAnswer.
func (s *Session) Exchange(ctx context.Context, timeout time.Duration, units ...string) ([][]byte, error) {
	messages, err := compose(units, s.config.MaxMessage)
	if err != nil {
		return nil, unsent(err)
	}
	if err := s.acquire(ctx); err != nil {
		return nil, unsent(err)
	}
	defer s.release()
	return s.exchange(ctx, timeout, messages)
}

// exchange runs messages with the turn held.
func (s *Session) exchange(ctx context.Context, timeout time.Duration, messages []message) ([][]byte, error) {
	if err := s.ready(ctx); err != nil {
		return nil, unsent(err)
	}
	return s.converse(ctx, timeout, messages)
}

// converse runs messages on a connection that was found in step a moment ago.
func (s *Session) converse(ctx context.Context, timeout time.Duration, messages []message) ([][]byte, error) {
	var answers [][]byte
	talk := s.talk
	for i, m := range messages {
		got, err := talk(ctx, timeout, m)
		talk = s.roundTrip
		if err != nil && i > 0 {
			err = sent(err)
		}
		if errors.Is(err, errCount) {
			return nil, s.explain(ctx, err)
		}
		if err != nil {
			return nil, err
		}
		if answers == nil {
			answers = got
		} else {
			answers = append(answers, got...)
		}
	}
	return answers, nil
}

// errCount marks an ErrAnswer whose stream stands at a line boundary, so that
// the error queue can be asked for the reason.
var errCount = fmt.Errorf("%w", ErrAnswer)

// roundTrip looks whether the connection is still in step and talks.
func (s *Session) roundTrip(ctx context.Context, timeout time.Duration, m message) ([][]byte, error) {
	if err := s.look(); err != nil {
		return nil, unsent(s.failed(ctx, m, timeout, err))
	}
	return s.talk(ctx, timeout, m)
}

// talk writes one message with one Write and reads its response. On any failure
// after which an answer may still be under way the session turns suspect.
func (s *Session) talk(ctx context.Context, timeout time.Duration, m message) ([][]byte, error) {
	if err := s.permit(ctx); err != nil {
		return nil, err
	}
	if timeout <= 0 {
		timeout = s.config.Timeout
	}
	link := s.link
	if err := link.watch(ctx, time.Now().Add(timeout)); err != nil {
		return nil, unsent(s.failed(ctx, m, timeout, err))
	}
	defer link.unwatch()
	if n, err := s.link.send(m.text); err != nil {
		s.link.broken = n > 0 || !isTimeout(err) // part of a message may be in the instrument's buffer
		err = s.failed(ctx, m, timeout, err)
		if n == 0 {
			return nil, unsent(err)
		}
		return nil, sent(err)
	}
	s.record(Sent, m.text)
	if m.queries == 0 {
		return nil, nil
	}
	line, err := s.link.read(make([]byte, 0, 64), s.config.MaxBlock, m.sink)
	if err != nil {
		// An instrument that waits for its own operation would carry out the
		// commands of a resync later, on top of newer ones. Only a device clear or
		// a new connection leaves nothing behind.
		s.link.broken = s.link.broken || m.waits && !s.link.clears()
		return nil, sent(s.failed(ctx, m, timeout, err))
	}
	s.record(Received, line)
	units, err := splitResponse(line, s.link.endless())
	if err != nil {
		s.link.broken = !s.link.clears()
		return nil, sent(s.failed(ctx, m, timeout, fmt.Errorf("%w: %w", ErrAnswer, err)))
	}
	if len(units) != m.queries {
		return nil, sent(s.failed(ctx, m, timeout, fmt.Errorf("%w: %d in place of %d: %.80q", errCount, len(units), m.queries, line)))
	}
	return units, nil
}

// failed turns the session suspect and says what happened.
func (s *Session) failed(ctx context.Context, m message, timeout time.Duration, err error) error {
	switch {
	case s.isClosed():
		err = ErrClosed
	case isTimeout(err) && ctx.Err() != nil:
		err = context.Cause(ctx)
	case isTimeout(err):
		err = fmt.Errorf("%w (%v): is the instrument switched on, in remote operation and not busy?", ErrTimeout, timeout)
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		err = fmt.Errorf("the instrument closed the connection: %w", err)
	}
	err = fmt.Errorf("scpi: %s: %.80q: %w", s.resource, m.text, err)
	s.suspect = err
	s.note("%v", err)
	return err
}

// compose checks units and packs them into messages of at most limit bytes,
// terminator included. Nothing follows *IDN? and *OPT? in a message, as their
// answers have no end of their own (488.2 10.14, 6.5.7.5).
func compose(units []string, limit int) ([]message, error) {
	messages := make([]message, 0, 1)
	full := false
	for _, unit := range units {
		unit, query, err := composeUnit(unit, limit)
		if err != nil {
			return nil, err
		}
		last := len(messages) - 1
		if full || last < 0 || len(messages[last].text)+len(unit)+2 > limit {
			messages = append(messages, message{text: []byte(unit)})
			last++
		} else {
			messages[last].text = append(append(messages[last].text, ';'), unit...)
		}
		if query {
			messages[last].queries++
		}
		if unit[0] == '*' {
			messages[last].waits = messages[last].waits || MatchWord("*OPC?|*WAI", unit)
			full = MatchWord("*IDN?|*OPT?", unit)
		} else {
			full = false
		}
	}
	if len(messages) == 0 {
		return nil, errors.New("scpi: nothing to send")
	}
	return messages, nil
}

// composeUnit checks a unit and makes it independent of those before it.
func composeUnit(unit string, limit int) (composed string, query bool, err error) {
	if query, err = checkUnit(unit); err != nil {
		return "", false, err
	}
	unit = strings.TrimSpace(unit)
	if unit[0] != ':' && unit[0] != '*' {
		unit = ":" + unit
	}
	if len(unit)+1 > limit {
		return "", false, fmt.Errorf("scpi: unit %.40q of %d bytes does not fit a message of %d", unit, len(unit), limit)
	}
	return unit, query, nil
}

// checkUnit accepts exactly one program message unit and reports whether it is
// a query. Line feeds are refused: socket servers end the message there.
func checkUnit(unit string) (query bool, err error) {
	if header, query := strings.CutSuffix(unit, "?"); isHeader(header) {
		return query, nil // most queries are no more than that
	}
	if strings.ContainsAny(unit, "\n\r") {
		return false, fmt.Errorf("scpi: unit %.40q holds a line feed", unit)
	}
	parsed, err := ParseMessage([]byte(unit))
	if err != nil {
		return false, fmt.Errorf("scpi: unit %.40q: %w", unit, err)
	}
	if len(parsed) != 1 {
		return false, fmt.Errorf("scpi: %.40q is %d units, want one", unit, len(parsed))
	}
	return parsed[0].Query, nil
}
