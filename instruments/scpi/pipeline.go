package scpi

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Bounds of pipelining (facts/scpi.md 5.1; common practice, no source).
const (
	probeMessages = 8
	firstWindow   = 4
	maxWindow     = 16
	maxAnswers    = 16 << 10 // bytes of answers under way, each taken to be as long as the longest so far
)

// queryError is bit 2 of the standard event status register: a response was lost
// (488.2 11.5.1).
const queryError = 4

// pipelining is what is known of an instrument that is asked before it answered
// the last question.
type pipelining struct {
	probed, allowed bool
	window          int // messages that may be under way
	longest         int // bytes of the longest answer so far
}

// Pipeline sends queries as one message each, and goes on sending before the
// first is answered, as far as the instrument's input buffer and a window of at
// most 16 messages allow. It returns one answer per query, as sent. Order is all
// that ties them together, so an echo nobody could have asked for before ends the
// series, and after any doubt none of the answers is returned and the session is
// suspect. An instrument that repeats one answer and loses another within one
// series is not found out: what must not be wrong is asked by Query. Whether the instrument bears it is tried at the first use of each
// connection; one that does not, HiSLIP in synchronized mode, and queries that
// start or transfer much (*OPC?, *TST?, MEASure, READ, TRACe, DATA, CALibration)
// are asked one by one. Config.Timeout bounds the wait for each answer.
func (s *Session) Pipeline(ctx context.Context, queries ...string) ([]string, error) {
	if len(queries) == 0 {
		return nil, nil
	}
	messages, oneByOne := make([]message, 0, len(queries)+1), s.config.Sequential // room for the echo
	text := make([]byte, 0, 32*len(queries))
	for _, q := range queries {
		unit, query, err := composeUnit(q, s.config.MaxMessage)
		if err != nil || !query {
			return nil, unsent(cmp.Or(err, fmt.Errorf("scpi: %.40q is a command, want a query", q)))
		}
		start := len(text)
		text = append(text, unit...)
		messages = append(messages, message{text: text[start:len(text):len(text)], queries: 1})
		oneByOne = oneByOne || standsAlone(q)
	}
	if err := s.acquire(ctx); err != nil {
		return nil, unsent(err)
	}
	defer s.release()
	if err := s.ready(ctx); err != nil {
		return nil, unsent(err)
	}
	if !oneByOne {
		allowed, err := s.pipelines(ctx)
		if err != nil {
			return nil, unsent(plain(err))
		}
		oneByOne = !allowed
	}
	var answers [][]byte
	var err error
	if oneByOne {
		answers, err = s.exchange(ctx, 0, messages)
	} else {
		answers, err = s.flow(ctx, messages)
	}
	if err != nil {
		return nil, err
	}
	return texts(answers), nil
}

// standsAlone reports a query that waits, starts something, or transfers much.
func standsAlone(query string) bool {
	header, _, _ := strings.Cut(strings.TrimSpace(query), "?")
	for word := range strings.SplitSeq(header, ":") {
		if word == "" || strings.IndexByte("*mMrRtTdDcC", word[0]) < 0 {
			continue // most words
		}
		switch strings.ToUpper(strings.TrimRight(word, "0123456789")) {
		case "*OPC", "*TST", "*CAL", "MEAS", "MEASURE", "READ", "TRAC", "TRACE", "DATA", "CAL", "CALIBRATION":
			return true
		}
	}
	return false
}

// pipelines reports whether the instrument bears a pipeline, and tries it on a
// connection where that is not known. An error leaves the caller's queries unsent.
func (s *Session) pipelines(ctx context.Context) (bool, error) {
	if w, ok := s.link.wire.(*highSpeed); ok && !w.Overlapped() {
		return false, nil
	}
	if s.pipeline.probed {
		return s.pipeline.allowed, nil
	}
	s.pipeline = pipelining{probed: true, window: probeMessages}
	allowed, err := s.tryPipeline(ctx)
	if err != nil {
		if ctx.Err() != nil || errors.Is(err, ErrRefused) || errors.Is(err, ErrClosed) {
			s.pipeline = pipelining{}
			return false, err
		}
		s.note("one message at a time: %v", err)
		if err := s.ready(ctx); err != nil {
			return false, err
		}
	}
	s.pipeline = pipelining{probed: true, allowed: allowed, window: firstWindow}
	return allowed, nil
}

// tryPipeline sends messages whose answers all differ, and looks whether any was
// lost.
func (s *Session) tryPipeline(ctx context.Context) (allowed bool, err error) {
	messages := make([]message, probeMessages, probeMessages+1)
	want := make([]string, probeMessages)
	for i := range messages {
		want[i] = fmt.Sprint(2 + (s.probes+i)%numbers)
		messages[i] = message{text: fmt.Appendf(nil, "*ESE %s;*ESE?", want[i]), queries: 1}
	}
	answers, err := s.flow(ctx, messages)
	if err != nil {
		return false, err
	}
	for i, a := range answers {
		if string(a) != want[i] {
			s.suspect = fmt.Errorf("%w: %.40q in place of %s", ErrAnswer, a, want[i])
			return false, s.suspect
		}
	}
	events, err := s.roundTrip(ctx, 0, message{text: []byte("*ESR?"), queries: 1})
	if err != nil {
		return false, err
	}
	bits, err := ParseNumber(events[0], "")
	if err != nil {
		s.suspect = fmt.Errorf("%w: %w", ErrAnswer, err)
		return false, s.suspect
	}
	if int(bits)&queryError == 0 {
		return true, nil
	}
	_, err = s.drainErrors(ctx)
	return false, err
}

// flow sends messages of one query each ahead of their answers. What is under
// way fits the instrument's input buffer, so that writing never waits for an
// instrument that waits for its answers to be read.
func (s *Session) flow(ctx context.Context, messages []message) ([][]byte, error) {
	probe, echo := s.probe()
	f := flow{Session: s, echo: echo, answers: make([][]byte, 0, len(messages)), memory: make([]byte, 0, 32*len(messages)),
		batch:    make([][]byte, 0, maxWindow),
		messages: append(messages, message{text: []byte(probe + ";*ESE 0"), queries: 2})}
	err := f.run(ctx)
	if err == nil {
		return f.answers, nil
	}
	if s.suspect == nil && f.written > 0 {
		s.suspect = err
	}
	if f.written > 0 {
		s.pipeline, err = pipelining{}, sent(plain(err))
	}
	if errors.Is(err, errCount) {
		err = s.explain(ctx, err)
	}
	return nil, err
}

// flow is one run of a pipeline.
type flow struct {
	*Session
	messages []message // the last of them asks for the echo
	echo     string
	answers  [][]byte
	written  int      // messages sent
	bytes    int      // of messages sent and not answered
	batch    [][]byte // kept for its memory
	memory   []byte   // of the answers
	deadline time.Time
}

func (f *flow) run(ctx context.Context) error {
	if err := f.look(); err != nil {
		return unsent(f.failed(ctx, f.messages[0], 0, err))
	}
	f.deadline = time.Now().Add(f.config.Timeout)
	if err := f.link.watch(ctx, f.deadline); err != nil {
		return unsent(f.failed(ctx, f.messages[0], 0, err))
	}
	defer f.link.unwatch()
	for {
		if err := f.fill(ctx); err != nil {
			return err
		}
		m := f.messages[len(f.answers)]
		start := len(f.memory)
		line, err := f.link.read(f.memory[start:], f.config.MaxBlock, nil)
		if err != nil {
			return f.failed(ctx, m, f.config.Timeout, err)
		}
		f.record(Received, line)
		if m.queries == 2 {
			if string(line) != f.echo {
				return f.failed(ctx, m, 0, fmt.Errorf("%w: %.80q in place of the echo behind %d answers", errCount, line, len(f.answers)))
			}
			return nil
		}
		if string(line) == f.echo || !isUnit(line, f.link.endless()) {
			return f.failed(ctx, m, 0, fmt.Errorf("%w: %.80q as answer %d of %d", errCount, line, len(f.answers)+1, len(f.messages)-1))
		}
		f.memory = append(f.memory, line...) // onto itself where it fitted
		f.answers = append(f.answers, f.memory[start:len(f.memory):len(f.memory)])
		f.bytes -= len(m.text) + 1
		f.pipeline.longest = max(f.pipeline.longest, len(line))
		f.pipeline.window = min(f.pipeline.window+1, maxWindow)
		if err := f.extend(ctx); err != nil {
			return f.failed(ctx, m, 0, err)
		}
	}
}

// extend gives the next answer its time, to a tenth of it, unless it is here already.
func (f *flow) extend(ctx context.Context) error {
	if f.link.arrived() {
		return nil
	}
	deadline := time.Now().Add(f.config.Timeout)
	if deadline.Sub(f.deadline) < f.config.Timeout/10 {
		return nil
	}
	f.deadline = deadline
	if err := f.link.SetDeadline(deadline); err != nil {
		return err
	}
	if ctx.Err() != nil {
		return context.Cause(ctx) // its watcher may have come before the new deadline
	}
	return nil
}

// fill sends what may go, in one write, once half of the window is free or all
// that is left has room.
func (f *flow) fill(ctx context.Context) error {
	underway, left := f.written-len(f.answers), len(f.messages)-f.written
	if left == 0 || underway > f.pipeline.window/2 && underway+left > f.pipeline.window {
		return nil
	}
	f.batch = f.batch[:0]
	for _, m := range f.messages[f.written:] {
		fits := underway < f.pipeline.window && f.bytes+len(m.text)+1 <= f.config.InputBuffer/2 &&
			(underway+1)*f.pipeline.longest <= maxAnswers
		if underway > 0 && !fits {
			break
		}
		f.batch = append(f.batch, m.text)
		f.bytes += len(m.text) + 1
		underway++
	}
	if len(f.batch) == 0 {
		return nil
	}
	if err := f.permit(ctx); err != nil {
		return err
	}
	n, err := f.link.send(f.batch...)
	if err != nil {
		f.link.broken = n > 0 || !isTimeout(err)
		err = f.failed(ctx, f.messages[f.written], f.config.Timeout, err)
		if n > 0 {
			f.written += len(f.batch) // some of it at least
		}
		return unsent(err)
	}
	f.written += len(f.batch)
	for _, text := range f.batch {
		f.record(Sent, text)
	}
	return nil
}
