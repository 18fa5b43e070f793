package scpi

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Bounds of recovery.
const (
	quiet         = 50 * time.Millisecond // silence that ends the draining of late answers
	drainFor      = time.Second           // longest draining
	resyncTimeout = time.Second           // longest wait for the echo
	bannerTimeout = time.Second           // longest wait for a greeting
	maxErrors     = 64                    // entries read from an error queue before it counts as endless
	attempts      = 3                     // connects in one recovery
	firstPause    = 100 * time.Millisecond
	numbers       = 254               // that *ESE can hold, but 0 and 1, the commonest answers
	firstProbe    = 150*numbers + 100 // any will do
)

// powerOn is bit 7 of the standard event status register (488.2 11.5.1).
const powerOn = 128

// ready leaves the session with a connection that is in step, or fails; it fails
// once when the instrument may have been restarted.
func (s *Session) ready(ctx context.Context) error {
	if err := s.inStep(ctx); err != nil {
		return err
	}
	if s.restart {
		s.restart = false
		return fmt.Errorf("scpi: %s: %w", s.resource, ErrRestarted)
	}
	return nil
}

// inStep leaves the session with a connection that is in step, or fails.
func (s *Session) inStep(ctx context.Context) error {
	if s.isClosed() {
		return fmt.Errorf("scpi: %s: %w", s.resource, ErrClosed)
	}
	if s.link == nil || s.suspect != nil || s.look() != nil {
		_, err := s.recover(ctx)
		return err
	}
	return nil
}

// look is due before every write: bytes that nobody asked for make the
// connection suspect, a far end that is gone breaks it. Either would be taken
// for the answer to what is written next.
func (s *Session) look() error {
	waiting, err := s.link.pending()
	switch {
	case err != nil:
		s.suspect, s.link.broken = fmt.Errorf("connection lost: %w", err), true
	case waiting:
		s.suspect = fmt.Errorf("%w: bytes arrived that nobody asked for", ErrAnswer)
	default:
		return nil
	}
	return s.suspect
}

// recover brings the session in step again: by an echo when the stream is at
// least made of lines, else by a new connection. It returns what stood in the
// error queue when the old connection could be kept.
func (s *Session) recover(ctx context.Context) ([]Error, error) {
	if s.link != nil && !s.link.broken {
		queued, err := s.resync(ctx)
		if err == nil {
			s.suspect = nil
			return queued, nil
		}
		if ctx.Err() != nil || !mayReconnect(err) {
			return nil, err
		}
		s.note("resync failed: %v", err)
	}
	s.drop(s.suspect)
	pause := firstPause
	for attempt := 1; ; attempt++ {
		err := s.connect(ctx)
		if err == nil {
			s.suspect = nil
			return nil, nil
		}
		if attempt == attempts || ctx.Err() != nil || !mayReconnect(err) || errors.Is(err, ErrTimeout) {
			return nil, err
		}
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return nil, err
		}
		pause *= 2
	}
}

// mayReconnect is false for errors that another connection would only repeat.
func mayReconnect(err error) bool {
	return !errors.Is(err, ErrWrongInstrument) && !errors.Is(err, ErrClosed) && !errors.Is(err, ErrRefused) && !errors.As(err, new(outside))
}

// resync proves the connection empty. It sends a pair of numbers for the
// instrument to echo and discards every line before that very pair: an answer
// given earlier cannot be it. Then it reads the error queue and clears up. A
// second pair must come back as the very next line: an instrument that lets a
// late answer overtake the first echo is found out here.
func (s *Session) resync(ctx context.Context) ([]Error, error) {
	s.note("resync: %v", s.suspect)
	var err error
	switch w := s.link.wire.(type) {
	case clearer:
		err = s.clear(ctx, w)
	case *socket:
		err = s.empty(ctx, w)
	}
	if err != nil {
		return nil, err
	}
	queued, err := s.drainErrors(ctx)
	if err != nil && !errors.Is(err, errEndless) {
		return nil, plain(err)
	}
	probe, echo := s.probe()
	answers, err := s.roundTrip(ctx, resyncTimeout, message{text: []byte(probe + ";*ESE 0;*CLS"), queries: 2})
	if err == nil && string(bytes.Join(answers, []byte(";"))) != echo {
		err = fmt.Errorf("scpi: %s: resync: %w: %.80q in place of the echo", s.resource, ErrAnswer, answers)
	}
	return queued, plain(err)
}

// probe returns units that make the instrument echo a pair of numbers, and the
// echo. No pair comes twice within 64516 probes.
func (s *Session) probe() (units, echo string) {
	s.probes = (s.probes + 1) % (numbers * numbers)
	a, b := strconv.Itoa(2+s.probes/numbers), strconv.Itoa(2+s.probes%numbers)
	return "*ESE " + a + ";*ESE?;*ESE " + b + ";*ESE?", a + ";" + b
}

// clear throws away what is under way at both ends and stops what is running.
func (s *Session) clear(ctx context.Context, w clearer) error {
	if err := s.permit(ctx); err != nil {
		return err
	}
	bounded, cancel := context.WithTimeout(ctx, min(resyncTimeout, s.config.Timeout))
	defer cancel()
	if err := w.Clear(bounded); err != nil {
		s.link.broken = true // one end may wait for the other to complete it
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return fmt.Errorf("scpi: %s: resync: %w", s.resource, err)
	}
	s.note("device cleared")
	if abort := s.abortUnit(); abort != "" {
		if _, err := s.roundTrip(ctx, resyncTimeout, message{text: []byte(abort)}); err != nil {
			return plain(err)
		}
	}
	return nil
}

// empty does for a socket what it can: wait for silence, then for an echo.
func (s *Session) empty(ctx context.Context, w *socket) error {
	if err := s.drain(ctx, w, quiet); err != nil {
		return err
	}
	probe, echo := s.probe()
	if abort := s.abortUnit(); abort != "" {
		probe = abort + ";" + probe
	}
	return s.seek(ctx, w, probe, echo)
}

// drain discards what arrives until the line is quiet. The first byte may take
// as long as patience.
func (s *Session) drain(ctx context.Context, w *socket, patience time.Duration) error {
	discarded := 0
	defer func() {
		if discarded > 0 {
			s.note("discarded %d bytes", discarded)
		}
	}()
	end := time.Now().Add(drainFor)
	for time.Now().Before(end) {
		if err := s.link.watch(ctx, time.Now().Add(patience)); err != nil {
			return err
		}
		_, err := w.r.Peek(1)
		s.link.unwatch()
		patience = quiet
		discarded += w.r.Buffered()
		if _, skip := w.r.Discard(w.r.Buffered()); skip != nil {
			return skip
		}
		switch {
		case ctx.Err() != nil:
			return fmt.Errorf("scpi: %s: resync: %w", s.resource, context.Cause(ctx))
		case err != nil && isTimeout(err):
			return nil
		case err != nil:
			return err
		}
	}
	return fmt.Errorf("scpi: %s: resync: the instrument does not stop sending", s.resource)
}

// seek sends the probe and discards lines until echo arrives. It reads plain
// lines, not messages: what is left of a message need not follow the syntax.
func (s *Session) seek(ctx context.Context, w *socket, probe, echo string) error {
	if err := s.permit(ctx); err != nil {
		return err
	}
	timeout := min(resyncTimeout, s.config.Timeout)
	if err := s.link.watch(ctx, time.Now().Add(timeout)); err != nil {
		return err
	}
	defer s.link.unwatch()
	if _, err := s.link.send([]byte(probe)); err != nil {
		return err
	}
	s.record(Sent, []byte(probe))
	end := byte('\n')
	if w.shape.carriageReturn {
		end = '\r'
	}
	for read, inside := 0, false; read < s.config.MaxBlock; {
		line, err := w.r.ReadSlice(end)
		read += len(line)
		rest := inside // of a line longer than the buffer
		inside = errors.Is(err, bufio.ErrBufferFull)
		switch {
		case inside:
			continue
		case err != nil && ctx.Err() != nil:
			return fmt.Errorf("scpi: %s: resync: %w", s.resource, context.Cause(ctx))
		case err != nil:
			return fmt.Errorf("scpi: %s: resync: no echo: %w", s.resource, err)
		case !rest && strings.Trim(string(line), "\r\n\x00 ") == echo:
			s.record(Received, []byte(echo))
			return nil
		}
		s.note("discarded %.80q", line)
	}
	return fmt.Errorf("scpi: %s: resync: no echo within %d bytes", s.resource, s.config.MaxBlock)
}

// connect opens a connection and greets the instrument.
func (s *Session) connect(ctx context.Context) error {
	if err := s.permit(ctx); err != nil {
		return err
	}
	w, err := s.dial(ctx)
	if err != nil && s.resource.HiSLIP != "" && errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		return fmt.Errorf("scpi: %s: %w: %w; connected, but another client may hold the instrument", s.resource, ErrTimeout, err)
	}
	if errors.As(err, new(outside)) {
		return fmt.Errorf("scpi: %s: %w", s.resource, err)
	}
	if err != nil {
		return fmt.Errorf("scpi: %s: cannot connect: %w; is the instrument switched on and the resource right?", s.resource, err)
	}
	if err := s.adopt(newLink(w)); err != nil {
		return err
	}
	s.note("connected to %s", s.resource)
	if err := s.greet(ctx); err != nil {
		s.drop(err)
		return err
	}
	return nil
}

func (s *Session) dial(ctx context.Context) (wire, error) {
	if s.resource.HiSLIP != "" {
		return dialHiSLIP(ctx, s.resource, s.config)
	}
	return dialSocket(ctx, s.resource, s.config)
}

// skipBanner discards what an instrument says unasked when somebody connects.
// The echo proves that all of it has come.
func (s *Session) skipBanner(ctx context.Context) error {
	w, ok := s.link.wire.(*socket)
	if !ok || !s.config.Banner {
		return nil
	}
	if err := s.drain(ctx, w, min(bannerTimeout, s.config.Timeout)); err != nil {
		return err
	}
	probe, echo := s.probe()
	return s.seek(ctx, w, probe, echo)
}

// greet clears the instrument's status, notices a restart by the power-on bit,
// and compares the identity with that of the first connection. Reading the
// register clears it: when the answer is lost, a restart must be assumed.
func (s *Session) greet(ctx context.Context) error {
	if err := s.skipBanner(ctx); err != nil {
		return err
	}
	hello := message{text: []byte("*ESR?;*CLS;*IDN?"), queries: 2}
	if s.config.Banner {
		hello.text = append([]byte("*ESE 0;"), hello.text...) // undoes the echo
	}
	if abort := s.abortUnit(); abort != "" {
		hello.text = append([]byte(abort+";"), hello.text...)
	}
	answers, err := s.roundTrip(ctx, 0, hello)
	if err != nil && !SafeToRetry(err) {
		s.restart = true
	}
	if errors.Is(err, ErrTimeout) {
		return fmt.Errorf("%w; connected, but another client may hold the instrument", plain(err))
	}
	if errors.Is(err, ErrAnswer) {
		return fmt.Errorf("%w; if the instrument greets whoever connects, say so: banner", plain(err))
	}
	if err != nil {
		return plain(err)
	}
	events, err := ParseNumber(answers[0], "")
	if err != nil || events < 0 || events > 255 {
		s.restart = true
		return fmt.Errorf("scpi: %s: *ESR?: %w: %.40q", s.resource, ErrAnswer, answers[0])
	}
	s.restart = s.restart || int(events)&powerOn != 0
	identity, err := ParseIdentity(string(answers[1]))
	if err != nil {
		return fmt.Errorf("scpi: %s: %w: %w", s.resource, ErrAnswer, err)
	}
	if s.known && !identity.SameInstrument(s.identity) {
		return fmt.Errorf("scpi: %s: %w: %s, before it was %s; check the address and the cabling",
			s.resource, ErrWrongInstrument, identity, s.identity)
	}
	s.identity, s.known = identity, true
	if s.pipeline.allowed {
		s.pipeline = pipelining{} // the firmware may be another
	}
	return nil
}

// explain finds out why the instrument did not answer every query: a unit it
// refuses leaves an entry in the error queue in place of an answer.
func (s *Session) explain(ctx context.Context, err error) error {
	queued, failed := s.recover(ctx)
	if failed != nil || len(queued) == 0 {
		return err
	}
	return sent(fmt.Errorf("%w; the instrument reports: %w", err, &queued[0]))
}

// plain strips what an error says about delivery: it spoke of a message of the
// session's own, not of the caller's.
func plain(err error) error {
	var d *delivery
	if errors.As(err, &d) {
		return d.err
	}
	return err
}
