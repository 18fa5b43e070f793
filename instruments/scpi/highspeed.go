package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"

	"benchyard/instruments/scpi/hislip"
)

// highSpeed is a HiSLIP connection: messages have ends of their own there, and a
// response the number of its question.
type highSpeed struct {
	*hislip.Conn
	peekers []*peeker // of both channels
}

func dialHiSLIP(ctx context.Context, resource Resource, config Config) (*highSpeed, error) {
	ctx, cancel := context.WithTimeout(ctx, config.Timeout)
	defer cancel()
	w := &highSpeed{}
	dial := func(ctx context.Context) (net.Conn, error) {
		conn, peeker, err := open(ctx, resource, config)
		if err != nil {
			return nil, err
		}
		w.peekers = append(w.peekers, peeker)
		return conn, nil
	}
	var err error
	w.Conn, err = hislip.Dial(ctx, dial, hislip.Config{
		SubAddress: resource.HiSLIP, Overlapped: config.Overlapped, ServiceRequest: config.ServiceRequest,
	})
	if err != nil {
		return nil, err
	}
	return w, nil
}

func (w *highSpeed) send(messages ...[]byte) (int, error) {
	ended := make([][]byte, len(messages))
	for i, m := range messages {
		ended[i] = append(m[:len(m):len(m)], '\n')
	}
	return w.Send(ended...)
}

// receive: what is left of a response can always be cleared, unless the channel
// itself is lost.
func (w *highSpeed) receive(spare []byte, limit int, _ sink) ([]byte, bool, error) {
	response, err := w.Receive(spare, limit)
	var reported *hislip.Failure
	switch {
	case err == nil:
		response, err = unwrapped(response)
		return response, true, err
	case errors.Is(err, hislip.ErrTooLong):
		return nil, true, fmt.Errorf("%w: %w", ErrTooLong, err)
	case errors.As(err, &reported):
		return nil, !reported.Fatal, err
	}
	return nil, isTimeout(err), err
}

// unwrapped removes the terminator of a response that ends by itself. Further
// line feeds must be inside blocks: otherwise two answers came as one.
func unwrapped(response []byte) ([]byte, error) {
	if cut, ok := bytes.CutSuffix(response, []byte("\n")); ok {
		response = cut
	}
	lex := lexer{endless: true}
	for i := 0; i < len(response); i++ {
		if response[i] == '\n' && lex.quote == 0 {
			return nil, fmt.Errorf("%w: more than one line: %.80q", ErrAnswer, response)
		}
		if lex.next(response[i]) != markBlock {
			continue
		}
		header, payload, ok, err := lex.blockAt(response[i:])
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrAnswer, err)
		}
		if ok {
			i += header + payload - 1
		}
	}
	return response, nil
}

func (w *highSpeed) arrived() bool { return false }

func (w *highSpeed) endless() bool { return true }

// pending: a late response is known by its number in synchronized mode, and
// dropped. Overlapped mode has order alone.
func (w *highSpeed) pending() (bool, error) {
	late, err := w.peekers[0].peek()
	if err == nil {
		_, err = w.peekers[1].peek()
	}
	return w.Overlapped() && (late || w.Buffered() > 0), err
}

func (w *highSpeed) interrupt() { _ = w.SetDeadline(past) } // fails only on a closed connection, where no read blocks
