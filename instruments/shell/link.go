package shell

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"benchyard/instruments/scpi"
)

// link is one connection: a goroutine reads it into chunks until it ends.
type link struct {
	conn   *net.TCPConn // below everything else
	w      io.Writer
	end    func() error  // takes leave; nil: closing conn is all
	chunks chan []byte   // closed when the stream has ended
	quit   chan struct{} // closed when nobody reads chunks any more
	done   chan struct{} // closed when the reader has returned
	err    error         // why the stream ended, once chunks is closed
	text   []byte        // read and not yet used
}

// chunkSize is how much is read at once.
const chunkSize = 4 << 10

// newLink starts reading r.
func newLink(conn *net.TCPConn, w io.Writer, r io.Reader, end func() error) *link {
	l := &link{conn: conn, w: w, end: end, chunks: make(chan []byte), quit: make(chan struct{}), done: make(chan struct{})}
	go l.read(r)
	return l
}

func (l *link) read(r io.Reader) {
	defer close(l.done)
	defer close(l.chunks)
	for {
		b := make([]byte, chunkSize)
		n, err := r.Read(b)
		if n > 0 {
			select {
			case l.chunks <- b[:n]:
			case <-l.quit:
				return
			}
		}
		if err != nil {
			l.err = err
			return
		}
	}
}

// close ends the connection and waits for the reader. cut resets it: an orderly
// close would go on delivering what the unit has not taken yet, long after the
// guard permitted it.
func (l *link) close(cut bool) error {
	var err error
	if cut {
		err = l.conn.SetLinger(0)
	} else if l.end != nil {
		err = l.end()
	}
	close(l.quit)
	err = errors.Join(err, l.conn.Close())
	<-l.done
	if errors.Is(err, net.ErrClosed) { // cut before
		return nil
	}
	return err
}

// errEnded says that the far end is gone.
var errEnded = errors.New("the unit closed the connection")

// errLong is an output beyond the limit.
var errLong = fmt.Errorf("output %w", scpi.ErrTooLong)

// more waits for another chunk, at most for quiet where that is not zero; came is
// false when nothing did.
func (l *link) more(ctx context.Context, quiet time.Duration, limit int) (came bool, err error) {
	var over <-chan time.Time
	if quiet > 0 {
		timer := time.NewTimer(quiet)
		defer timer.Stop()
		over = timer.C
	}
	select {
	case chunk, open := <-l.chunks:
		if !open {
			return false, fmt.Errorf("%w: %w", errEnded, l.err)
		}
		if l.text = append(l.text, chunk...); len(l.text) > limit {
			return true, errLong
		}
		return true, nil
	case <-over:
		return false, nil
	case <-ctx.Done():
		return false, context.Cause(ctx)
	}
}

// follows waits whether anything comes behind a prompt within quiet. The end of the
// stream is nothing: it does not take back what was printed.
func (l *link) follows(ctx context.Context, quiet time.Duration, limit int) (bool, error) {
	came, err := l.more(ctx, quiet, limit)
	if errors.Is(err, errEnded) {
		return false, nil
	}
	return came, err
}

// unasked takes what has arrived without being asked for. It also says whether the
// stream has ended.
func (l *link) unasked() (text []byte, ended bool) {
	for {
		select {
		case chunk, open := <-l.chunks:
			if open {
				l.text = append(l.text, chunk...)
				continue
			}
			ended = true
		default:
		}
		text, l.text = l.text, nil
		return text, ended
	}
}

// write sends bytes; the end of ctx cuts a write that the unit does not take.
func (l *link) write(ctx context.Context, text string) error {
	stop := context.AfterFunc(ctx, func() { _ = l.conn.SetLinger(0); _ = l.conn.Close() })
	_, err := io.WriteString(l.w, text)
	if !stop() && ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return err
}
