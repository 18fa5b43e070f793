package scpi

import (
	"context"
	"fmt"
)

// Bits of the status byte (488.2 11.2 and SCPI-1999 vol. 2, 20).
const (
	StatusErrors       byte = 1 << 2 // the error queue holds an entry
	StatusQuestionable byte = 1 << 3 // summary of STATus:QUEStionable
	StatusMessage      byte = 1 << 4 // a response is waiting
	StatusEvents       byte = 1 << 5 // summary of the standard event status register
	StatusService      byte = 1 << 6 // the instrument requests service
	StatusOperation    byte = 1 << 7 // summary of STATus:OPERation
)

// StatusByte returns the instrument's status byte; reading it changes nothing.
// Over HiSLIP it does not wait for an exchange under way, so that a busy
// instrument can be told from a dead one. A socket has to ask *STB? in turn.
func (s *Session) StatusByte(ctx context.Context) (byte, error) {
	w, err := s.aside(ctx)
	if err != nil {
		return 0, err
	}
	if w == nil {
		return s.askStatus(ctx)
	}
	if err := s.permit(ctx); err != nil {
		return 0, err
	}
	bounded, cancel := context.WithTimeout(ctx, s.config.Timeout)
	defer cancel()
	status, err := w.Status(bounded)
	switch {
	case err == nil:
		return status, nil
	case ctx.Err() != nil:
		err = context.Cause(ctx)
	case bounded.Err() != nil:
		err = ErrTimeout
	}
	return 0, sent(fmt.Errorf("scpi: %s: status byte: %w", s.resource, err))
}

// aside returns the way past the messages under way, nil where there is none.
func (s *Session) aside(ctx context.Context) (clearer, error) {
	s.mu.Lock()
	l := s.link
	s.mu.Unlock()
	if l == nil {
		if err := s.Ready(ctx); err != nil {
			return nil, err
		}
		s.mu.Lock()
		l = s.link
		s.mu.Unlock()
	}
	if l == nil {
		return nil, unsent(fmt.Errorf("scpi: %s: %w", s.resource, ErrClosed))
	}
	w, _ := l.wire.(clearer)
	return w, nil
}

func (s *Session) askStatus(ctx context.Context) (byte, error) {
	var status byte
	err := s.ask(ctx, "*STB?", func(answer []byte) error {
		x, err := ParseNumber(answer, "")
		if err != nil || x != float64(byte(x)) {
			return fmt.Errorf("%w: %.40q is no status byte", ErrAnswer, answer)
		}
		status = byte(x)
		return nil
	})
	return status, err
}
