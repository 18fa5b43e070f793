package hislip

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"time"
)

// AnyMessage is the number of a Data message whose sender does not know yet which
// message it answers; the DataEnd behind it tells.
const AnyMessage uint32 = 0xFFFFFFFF

// Failure is what the far end reports in an Error or FatalError message.
type Failure struct {
	Fatal bool // the connection cannot be used further
	Code  byte
	Text  string
}

// Error prints kind, code and text.
func (f *Failure) Error() string {
	kind := "error"
	if f.Fatal {
		kind = "fatal error"
	}
	return fmt.Sprintf("hislip: the instrument reports %s %d, %q", kind, f.Code, f.Text)
}

// Send sends whole program messages, each with END behind its last byte, in one
// write where the instrument takes messages that long. It returns how many bytes
// went out. In synchronized mode only one message may go before its response.
func (c *Conn) Send(messages ...[]byte) (n int, err error) {
	if err := c.settle(); err != nil {
		return 0, err
	}
	c.out = c.out[:0]
	c.mu.Lock()
	for _, message := range messages {
		for rest := message; ; {
			part := rest[:min(len(rest), c.most)]
			rest = rest[len(part):]
			c.last = NextMessage(c.last)
			h := Header{Type: Data, Parameter: c.last}
			if c.delivered {
				h.Control, c.delivered = RMTDelivered, false
			}
			if len(rest) == 0 {
				h.Type = DataEnd
			}
			c.out = AppendMessage(c.out, h, part)
			if len(rest) == 0 {
				break
			}
		}
	}
	c.mu.Unlock()
	n, err = c.sync.Write(c.out)
	return n, c.cause(err)
}

// settle finds out whether the other channel still stands, and waits until an interruption that was seen on the synchronous channel is
// seen on the other one too: before that nothing may be sent.
func (c *Conn) settle() error {
	for {
		select {
		case <-c.ended:
			return c.lost
		default:
		}
		c.mu.Lock()
		settled, deadline := c.interrupted <= 0, c.deadline
		c.mu.Unlock()
		if settled {
			return nil
		}
		var late <-chan time.Time
		if !deadline.IsZero() {
			late = time.After(time.Until(deadline))
		}
		select {
		case <-c.change:
		case <-late:
			return os.ErrDeadlineExceeded
		case <-c.ended:
			return c.lost
		}
	}
}

// Receive appends the response to the last message sent to dst, without END.
// Responses to earlier messages are dropped. One of more than limit bytes is
// ErrTooLong. After any error but a fatal one Clear makes the connection usable.
func (c *Conn) Receive(dst []byte, limit int) ([]byte, error) {
	start := len(dst)
	for {
		h, err := c.header()
		if err != nil {
			return dst, err
		}
		switch h.Type {
		case Data, DataEnd:
			if !c.fits(h) {
				dst = dst[:start] // what came before belongs to the same response
				if err := c.skip(); err != nil {
					return dst, err
				}
				continue
			}
			dst, err = c.payload(dst, h, limit-(len(dst)-start))
			if err != nil {
				return dst, err
			}
			if h.Type == DataEnd {
				c.mu.Lock()
				c.delivered = true
				c.mu.Unlock()
				return dst, nil
			}
		case Interrupted:
			dst = dst[:start]
			if err := c.skip(); err != nil {
				return dst, err
			}
			c.mu.Lock()
			c.interrupted++
			c.mu.Unlock()
		default:
			payload, err := c.payload(nil, h, maxText)
			if err != nil {
				return dst, err
			}
			return dst, unexpected(h, payload)
		}
	}
}

// fits reports whether a part of a response may be part of the one awaited. In
// overlapped mode the numbers are the instrument's own and order is what counts.
func (c *Conn) fits(h Header) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.overlapped:
		return true
	case c.interrupted < 0: // all up to the Interrupted message is void
		return false
	}
	return h.Parameter == c.last || h.Type == Data && h.Parameter == AnyMessage
}

// message reads one whole message of the synchronous channel.
func (c *Conn) message(limit int) (Header, []byte, error) {
	h, err := c.header()
	if err != nil {
		return h, nil, err
	}
	payload, err := c.payload(nil, h, limit)
	return h, payload, err
}

// header reads a header. A deadline that expires inside leaves it to be read.
func (c *Conn) header() (Header, error) {
	if err := c.skip(); err != nil {
		return Header{}, err
	}
	b, err := c.r.Peek(HeaderSize)
	if err == io.EOF && len(b) > 0 {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return Header{}, c.cause(err)
	}
	h, err := ReadHeader(bytes.NewReader(b))
	if err != nil {
		return Header{}, err
	}
	_, err = c.r.Discard(HeaderSize)
	c.left = h.Length
	return h, err
}

// payload appends what follows h to dst. A deadline that expires inside leaves
// the rest to be skipped.
func (c *Conn) payload(dst []byte, h Header, limit int) ([]byte, error) {
	dst, err := AppendPayload(dst, reading{c}, h, limit)
	return dst, c.cause(err)
}

// reading counts what is read of a payload.
type reading struct{ *Conn }

func (r reading) Read(b []byte) (int, error) {
	n, err := r.r.Read(b)
	r.left -= uint64(n)
	return n, err
}

// skip discards what is left of a payload.
func (c *Conn) skip() error {
	for c.left > 0 {
		n, err := c.r.Discard(int(min(c.left, 1<<20)))
		c.left -= uint64(n)
		if err != nil {
			return c.cause(err)
		}
	}
	return nil
}

// unexpected is the error that a message other than the one awaited stands for.
func unexpected(h Header, payload []byte) error {
	switch h.Type {
	case FatalError, Error:
		return &Failure{Fatal: h.Type == FatalError, Code: h.Control, Text: string(payload)}
	}
	return fmt.Errorf("hislip: %s with %d bytes where it does not belong", h.Type, len(payload))
}
