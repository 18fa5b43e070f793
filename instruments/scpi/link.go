package scpi

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"syscall"
	"time"
)

// link is one TCP connection.
type link struct {
	conn   *net.TCPConn
	raw    syscall.RawConn
	r      *bufio.Reader
	broken bool // the stream stopped where no line boundary can be found again
}

// dial opens a connection. Nagle's algorithm is off, keepalive on: Go's defaults.
func dial(ctx context.Context, address string, timeout time.Duration) (*link, error) {
	d := net.Dialer{Timeout: timeout}
	conn, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	tcp := conn.(*net.TCPConn)
	raw, err := tcp.SyscallConn()
	if err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return &link{conn: tcp, raw: raw, r: bufio.NewReaderSize(conn, 16<<10)}, nil
}

// abort closes the connection by a reset. An orderly close would go on delivering
// what the instrument has not taken yet, long after the guard permitted it.
func (l *link) abort() error {
	return errors.Join(l.conn.SetLinger(0), l.conn.Close())
}

// past is a deadline that has expired, whatever the clock says.
var past = time.Unix(1, 0)

// watch bounds the reads and writes that follow by deadline, and ends them at
// once when ctx is done. The returned function must be called before the next
// watch; after it the watcher touches the connection no more.
func (l *link) watch(ctx context.Context, deadline time.Time) (stop func(), err error) {
	if err := l.conn.SetDeadline(deadline); err != nil {
		return nil, err
	}
	if ctx.Done() == nil {
		return func() {}, nil
	}
	fired := make(chan struct{})
	cancel := context.AfterFunc(ctx, func() {
		defer close(fired)
		_ = l.conn.SetDeadline(past) // fails only on a closed connection, where no read blocks
	})
	return func() {
		if !cancel() {
			<-fired
		}
	}, nil
}

// readMessage reads one response of at most limit bytes.
func (l *link) readMessage(limit int) ([]byte, error) {
	m := framer{r: l.r, limit: limit}
	line, err := m.read(make([]byte, 0, 64))
	if err != nil && (m.block || !isTimeout(err)) {
		l.broken = true
	}
	return line, err
}

// pending looks at the connection without waiting: it reports bytes nobody asked
// for, and io.EOF or another error when the far end is gone.
func (l *link) pending() (bool, error) {
	if l.r.Buffered() > 0 {
		return true, nil
	}
	var n int
	var peekErr error
	err := l.raw.Control(func(fd uintptr) {
		var b [1]byte
		n, _, peekErr = syscall.Recvfrom(int(fd), b[:], syscall.MSG_PEEK|syscall.MSG_DONTWAIT)
	})
	switch {
	case err != nil:
		return false, err
	case peekErr == syscall.EAGAIN || peekErr == syscall.EINTR:
		return false, nil
	case peekErr != nil:
		return false, peekErr
	case n == 0:
		return false, io.EOF
	}
	return true, nil
}

func isTimeout(err error) bool {
	var e net.Error
	return errors.As(err, &e) && e.Timeout()
}
