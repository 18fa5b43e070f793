package shell

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchyard/instruments/scpi"
)

// echoed stands for the argument in Manner.Echo.
const echoed = "{text}"

// Command sends lines one after the other and waits for the prompt after each. One
// that the unit does not carry out is *Refusal and ends the list.
func (s *Session) Command(ctx context.Context, lines ...string) error {
	return s.Run(ctx, 0, lines...)
}

// Run is Command for lines that take long: each may take the timeout, zero means
// Config.Timeout. Without lines it makes sure that the unit shows its prompt.
func (s *Session) Run(ctx context.Context, timeout time.Duration, lines ...string) error {
	if len(lines) == 0 {
		lines = []string{""}
	}
	_, err := s.converse(ctx, timeout, (*Session).ready, lines)
	return err
}

// Ask sends lines and hands their outputs to decode while nobody else can use the
// session. Where the manner has no echo, an error of decode other than
// scpi.ErrNotMeasured closes the connection: the output may be that of another line.
func (s *Session) Ask(ctx context.Context, decode func(outputs []string) error, lines ...string) error {
	if err := s.acquire(ctx); err != nil {
		return scpi.Delivered(err, false)
	}
	defer s.release()
	outputs, err := s.lines(ctx, 0, (*Session).ready, lines)
	if err != nil {
		return err
	}
	return s.decoded(decode(outputs), lines)
}

func (s *Session) decoded(err error, lines []string) error {
	if err == nil {
		return nil
	}
	err = s.redacted(fmt.Errorf("shell: %s: %.80q: %w", s.resource, strings.Join(lines, "; "), err))
	s.note("%v", err)
	if s.config.Manner.Echo == "" && !errors.Is(err, scpi.ErrNotMeasured) {
		s.drop(err)
	}
	return scpi.Delivered(err, true)
}

// Confirm sends lines and, behind them, one whose output shows whether they took
// effect; holds judges it. It is made for safe states, so the lines must bear
// repetition: after any failure but a refused write or the end of ctx it tries once
// more, on a new connection where needed. What was read back counts: a line that the
// unit refused is an error only when holds is false, which is scpi.ErrUnconfirmed. A
// restart noticed on the way is left for the next caller.
func (s *Session) Confirm(ctx context.Context, query string, holds func(output string) bool, lines ...string) error {
	if err := s.acquire(ctx); err != nil {
		return scpi.Delivered(err, false)
	}
	defer s.release()
	answer, refusal, err := s.confirm(ctx, query, lines)
	if err == nil && !holds(answer) && s.config.Manner.Echo == "" {
		s.drop(scpi.ErrUnconfirmed) // the output may be that of another line
	}
	if (err != nil || !holds(answer)) && ctx.Err() == nil && !errors.Is(err, scpi.ErrRefused) && !errors.Is(err, scpi.ErrClosed) {
		answer, refusal, err = s.confirm(ctx, query, lines)
	}
	switch {
	case err != nil:
		return err
	case holds(answer):
		return nil
	}
	err = fmt.Errorf("shell: %s: %.120q: %w: %s prints %.80q", s.resource, strings.Join(lines, "; "), scpi.ErrUnconfirmed, query, answer)
	if refusal != nil {
		err = fmt.Errorf("%w; the unit says: %w", err, refusal)
	}
	return scpi.Delivered(s.redacted(err), true)
}

// confirm is one attempt of Confirm.
func (s *Session) confirm(ctx context.Context, query string, lines []string) (answer string, refusal, err error) {
	for _, line := range lines {
		_, err := s.lines(ctx, 0, (*Session).inStep, []string{line})
		var refused *Refusal
		if errors.As(err, &refused) {
			refusal = refused
		} else if err != nil {
			return "", nil, err
		}
	}
	outputs, err := s.lines(ctx, 0, (*Session).inStep, []string{query})
	if err != nil {
		return "", nil, err
	}
	return outputs[0], refusal, nil
}

// converse runs lines in turn.
func (s *Session) converse(ctx context.Context, timeout time.Duration, before func(*Session, context.Context) error, lines []string) ([]string, error) {
	if err := s.acquire(ctx); err != nil {
		return nil, scpi.Delivered(err, false)
	}
	defer s.release()
	return s.lines(ctx, timeout, before, lines)
}

// lines checks and sends lines and returns their outputs; the turn is held.
func (s *Session) lines(ctx context.Context, timeout time.Duration, before func(*Session, context.Context) error, lines []string) ([]string, error) {
	for _, line := range lines {
		if err := checkLine(line); err != nil {
			return nil, scpi.Delivered(err, false)
		}
	}
	if err := before(s, ctx); err != nil {
		return nil, scpi.Delivered(err, false)
	}
	var outputs []string
	for i, line := range lines {
		text, err := s.exchange(ctx, timeout, line)
		if err != nil {
			return nil, scpi.Delivered(err, i > 0 || !scpi.SafeToRetry(err))
		}
		outputs = append(outputs, text)
	}
	return outputs, nil
}

// exchange sends one line on the connection at hand and returns its output. On any
// failure but a refusal the connection is given up.
func (s *Session) exchange(ctx context.Context, timeout time.Duration, line string) (string, error) {
	if timeout <= 0 {
		timeout = s.config.Timeout
	}
	if err := scpi.Permit(ctx, s.config.Guard); err != nil {
		return "", scpi.Delivered(fmt.Errorf("shell: %s: %w", s.resource, err), false)
	}
	l := s.current()
	if l == nil {
		return "", scpi.Delivered(fmt.Errorf("shell: %s: %w", s.resource, scpi.ErrClosed), false)
	}
	limited, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	s.discard(l)
	s.record(scpi.Sent, line)
	err := l.write(limited, line+s.config.Manner.Newline)
	text := ""
	if err == nil {
		text, err = s.result(limited, l, line)
	}
	if err != nil {
		return "", s.failed(ctx, line, timeout, err)
	}
	text = output(text, line)
	s.record(scpi.Received, text)
	if err := s.speech.refusal(line, text); err != nil {
		return "", scpi.Delivered(s.redacted(fmt.Errorf("shell: %s: %w", s.resource, err)), true)
	}
	return text, nil
}

// result reads what a line printed, its echo still in front.
func (s *Session) result(ctx context.Context, l *link, line string) (string, error) {
	text, err := s.untilPrompt(ctx, l, s.speech.waits)
	if err != nil || s.config.Manner.Echo == "" {
		return body(text), err
	}
	if err := scpi.Permit(ctx, s.config.Guard); err != nil {
		return "", err
	}
	s.echoes++
	mark := fmt.Sprintf("echo-%d-end", s.echoes)
	probe := strings.Replace(s.config.Manner.Echo, echoed, mark, 1)
	if err := l.write(ctx, probe+s.config.Manner.Newline); err != nil {
		return "", err
	}
	before := ""
	_, err = s.untilPrompt(ctx, l, func(text string) (complete bool) {
		before, complete = s.speech.beforeEcho(text, probe, mark)
		return complete
	})
	l.text = nil
	return before, err
}

// untilPrompt reads until the text is complete. Where nothing but the look of it
// says so, nothing may follow for a while.
func (s *Session) untilPrompt(ctx context.Context, l *link, complete func(text string) bool) (string, error) {
	for {
		if text := Clean(l.text); complete(text) {
			if s.config.Manner.Echo != "" {
				return text, nil
			}
			came, err := l.follows(ctx, s.config.Manner.Quiet, s.config.MaxOutput)
			if err != nil {
				return "", err
			}
			if !came {
				l.text = nil
				return text, nil
			}
			continue
		}
		if _, err := l.more(ctx, 0, s.config.MaxOutput); err != nil {
			return "", err
		}
	}
}

// failed gives the connection up and says what happened.
func (s *Session) failed(ctx context.Context, line string, timeout time.Duration, err error) error {
	switch {
	case s.isClosed():
		err = scpi.ErrClosed
	case ctx.Err() != nil:
		err = context.Cause(ctx)
	case errors.Is(err, context.DeadlineExceeded):
		seen := ""
		if l := s.current(); l != nil {
			seen = lastLine(Clean(l.text))
		}
		err = fmt.Errorf("%w (%v): no prompt, the last line is %.80q; is the unit busy, or has its prompt changed?", scpi.ErrTimeout, timeout, seen)
	}
	err = s.redacted(fmt.Errorf("shell: %s: %.80q: %w", s.resource, line, err))
	s.drop(err)
	return scpi.Delivered(err, true)
}
