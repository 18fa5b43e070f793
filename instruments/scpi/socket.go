package scpi

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"sync/atomic"
	"syscall"
	"time"
)

// socket is a raw TCP connection: a stream of bytes in which terminators and
// block headers alone tell where a message ends.
type socket struct {
	conn       *net.TCPConn
	peeker     *peeker
	r          *bufio.Reader
	shape      shape
	terminator string // of program messages
	out        []byte // what send writes, kept for its memory
	deadline   time.Time
	stopped    atomic.Bool // interrupt was called since the deadline was set
}

// open opens a TCP connection that can be looked at without waiting.
func open(ctx context.Context, resource Resource, config Config) (*net.TCPConn, *peeker, error) {
	conn, err := Reach(ctx, resource, config.Timeout, config.Admit)
	if err != nil {
		return nil, nil, err
	}
	raw, err := conn.SyscallConn()
	if err != nil {
		return nil, nil, errors.Join(err, conn.Close())
	}
	return conn, newPeeker(raw), nil
}

// dialSocket opens a raw socket for an instrument of the habits config says.
func dialSocket(ctx context.Context, resource Resource, config Config) (*socket, error) {
	conn, peeker, err := open(ctx, resource, config)
	if err != nil {
		return nil, err
	}
	w := &socket{conn: conn, peeker: peeker, r: bufio.NewReaderSize(conn, 64<<10), terminator: terminators[config.Terminator]}
	w.shape = shape{carriageReturn: config.Terminator == "CR", text: config.TextBlocks}
	if config.BareBlocks {
		w.shape.ends = w.silent
	}
	return w, nil
}

func (w *socket) send(messages ...[]byte) (int, error) {
	w.out = w.out[:0]
	for _, m := range messages {
		w.out = append(append(w.out, m...), w.terminator...)
	}
	return w.conn.Write(w.out)
}

// receive: a timeout between bytes of a line leaves lines, one inside a block
// leaves nothing to go by.
func (w *socket) receive(spare []byte, limit int, blocks sink) ([]byte, bool, error) {
	m := framer{r: w.r, limit: limit, shape: w.shape, sink: blocks}
	response, err := m.read(spare)
	return response, err == nil || !m.block && isTimeout(err), err
}

// arrived takes the first line feed for the end, as it is without blocks.
func (w *socket) arrived() bool {
	waiting, _ := w.r.Peek(w.r.Buffered())
	return bytes.IndexByte(waiting, '\n') >= 0
}

func (w *socket) endless() bool { return w.shape.text }

// silent reports whether nothing follows for a moment: then a block without a
// terminator was the end of the message.
func (w *socket) silent() bool {
	if w.r.Buffered() > 0 {
		return false
	}
	_ = w.conn.SetReadDeadline(time.Now().Add(quiet)) // fails only on a closed connection, as the next read will
	_, err := w.r.Peek(1)
	_ = w.conn.SetReadDeadline(w.deadline)
	if w.stopped.Load() {
		w.interrupt()
		return false
	}
	return isTimeout(err)
}

// pending lets padding pass: the NULs some instruments put behind the line feed,
// and the late line feed of one that ends blocks without.
func (w *socket) pending() (bool, error) {
	if waiting, err := w.peeker.peek(); w.r.Buffered() == 0 && (!waiting || err != nil) {
		return false, err
	}
	_ = w.conn.SetDeadline(time.Time{}) // of the exchange before; bytes are there, so nothing blocks
	if _, err := w.r.Peek(1); err != nil {
		return false, err
	}
	waiting, _ := w.r.Peek(w.r.Buffered())
	for _, b := range waiting {
		if !isSpace(b) && !(b == '\n' && w.shape.ends != nil) {
			return true, nil
		}
	}
	_, err := w.r.Discard(len(waiting))
	return false, err
}

// peeker looks for bytes in the receive buffer of the system without waiting.
type peeker struct {
	raw  syscall.RawConn
	look func(fd uintptr)
	n    int
	err  error
}

func newPeeker(raw syscall.RawConn) *peeker {
	p := &peeker{raw: raw}
	var b [1]byte
	p.look = func(fd uintptr) {
		p.n, _, p.err = syscall.Recvfrom(int(fd), b[:], syscall.MSG_PEEK|syscall.MSG_DONTWAIT)
	}
	return p
}

// peek reports whether there are any, and io.EOF or another error when the far
// end is gone.
func (p *peeker) peek() (waiting bool, err error) {
	err = p.raw.Control(p.look)
	switch {
	case err != nil:
		return false, err
	case p.err == syscall.EAGAIN || p.err == syscall.EINTR:
		return false, nil
	case p.err != nil:
		return false, p.err
	case p.n == 0:
		return false, io.EOF
	}
	return true, nil
}

// SetDeadline bounds what follows.
func (w *socket) SetDeadline(t time.Time) error {
	w.deadline = t
	w.stopped.Store(false)
	return w.conn.SetDeadline(t)
}

func (w *socket) interrupt() {
	w.stopped.Store(true)
	_ = w.conn.SetDeadline(past) // fails only on a closed connection, where no read blocks
}

// Close closes the connection in the orderly way.
func (w *socket) Close() error { return w.conn.Close() }

// Abort closes the connection by a reset.
func (w *socket) Abort() error { return errors.Join(w.conn.SetLinger(0), w.conn.Close()) }
