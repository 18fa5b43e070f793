package hislip

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"time"
)

// listen reads the asynchronous channel until it ends. A response may still be
// waiting on the synchronous one then; a fatal error is the end of both.
func (c *Conn) listen() {
	r := bufio.NewReader(c.async)
	for {
		h, err := ReadHeader(r)
		var payload []byte
		if err == nil {
			payload, err = AppendPayload(nil, r, h, maxText)
		}
		if err == nil && h.Type == FatalError {
			err = unexpected(h, payload)
		}
		if err != nil {
			c.lost = fmt.Errorf("hislip: asynchronous channel: %w", err)
			close(c.ended)
			if h.Type == FatalError {
				_ = c.sync.Close() // wakes whoever reads there, who asks for the cause
			}
			return
		}
		switch h.Type {
		case AsyncServiceRequest:
			if c.config.ServiceRequest != nil {
				c.config.ServiceRequest(h.Control)
			}
		case AsyncInterrupted:
			c.mu.Lock()
			c.interrupted--
			c.mu.Unlock()
			c.changed()
		default:
			select {
			case c.replies <- reply{h, payload}:
			default: // nobody asked for so many
			}
		}
	}
}

// cause names why the asynchronous channel ended in place of the closed
// connection that this left behind.
func (c *Conn) cause(err error) error {
	if errors.Is(err, net.ErrClosed) {
		select {
		case <-c.ended:
			return c.lost
		default:
		}
	}
	return err
}

// ask sends a message on the asynchronous channel and waits for the reply of the
// type wanted. A question without a reply breaks the connection: a late reply
// could be taken for that to the next question.
func (c *Conn) ask(ctx context.Context, h Header, payload []byte, want MessageType) (got reply, err error) {
	select {
	case <-c.asking:
	case <-c.ended:
		return reply{}, c.lost
	case <-ctx.Done():
		return reply{}, fmt.Errorf("hislip: %s: %w", h.Type, context.Cause(ctx))
	}
	defer func() { c.asking <- struct{}{} }()
	select {
	case <-c.replies: // nobody asked for it
	default:
	}
	stop := interrupt(ctx, writeOnly{c.async})
	_, err = c.async.Write(AppendMessage(nil, h, payload))
	stop()
	if err != nil {
		return reply{}, fmt.Errorf("hislip: %s: %w", h.Type, c.cause(because(ctx, err)))
	}
	select {
	case got = <-c.replies:
	case <-c.ended:
		return reply{}, c.lost
	case <-ctx.Done():
		_ = c.async.Close() // ends listen, and with it the use of the connection
		<-c.ended
		return reply{}, fmt.Errorf("hislip: %s: no reply: %w", h.Type, context.Cause(ctx))
	}
	if got.header.Type != want {
		return reply{}, fmt.Errorf("hislip: %s: %w", h.Type, unexpected(got.header, got.payload))
	}
	return got, nil
}

// writeOnly lets a deadline touch writing alone: listen goes on reading.
type writeOnly struct{ net.Conn }

func (w writeOnly) SetDeadline(t time.Time) error { return w.SetWriteDeadline(t) }

// Status returns the status byte by a question that does not wait for messages
// under way. It changes nothing in the instrument.
func (c *Conn) Status(ctx context.Context) (byte, error) {
	c.mu.Lock()
	h := Header{Type: AsyncStatusQuery, Parameter: c.last}
	if c.delivered {
		h.Control = RMTDelivered
	}
	c.mu.Unlock()
	got, err := c.ask(ctx, h, nil, AsyncStatusResponse)
	return got.header.Control, err
}

// Clear clears the device: messages and responses under way are thrown away at
// both ends, whatever the instrument waits for, and numbers start anew. Settings,
// status and the error queue stay.
func (c *Conn) Clear(ctx context.Context) error {
	if _, err := c.ask(ctx, Header{Type: AsyncDeviceClear}, nil, AsyncDeviceClearAcknowledge); err != nil {
		return err
	}
	defer interrupt(ctx, c.sync)()
	mode := Synchronized
	if c.config.Overlapped {
		mode = Overlapped
	}
	if _, err := c.sync.Write(AppendHeader(nil, Header{Type: DeviceClearComplete, Control: mode})); err != nil {
		return fmt.Errorf("hislip: device clear: %w", c.cause(because(ctx, err)))
	}
	for {
		h, err := c.header()
		if err == nil {
			err = c.skip()
		}
		if err != nil {
			return fmt.Errorf("hislip: device clear: %w", because(ctx, err))
		}
		if h.Type != DeviceClearAcknowledge {
			continue // an answer that came too late
		}
		c.mu.Lock()
		c.overlapped = h.Control&Overlapped != 0
		c.last, c.delivered, c.interrupted = FirstMessage-2, false, 0
		c.mu.Unlock()
		return nil
	}
}
