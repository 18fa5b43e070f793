package scpi

import (
	"context"
	"errors"
	"net"
	"time"
)

// link is one connection to an instrument.
type link struct {
	wire
	broken bool // the stream stopped where no boundary between messages can be found again
}

// wire carries whole messages over one connection: socket or highSpeed.
type wire interface {
	carrier
	line
}

type carrier interface {
	// send writes program messages, each with its terminator, in one write. It
	// returns how many bytes went out.
	send(messages ...[]byte) (n int, err error)
	// receive reads one response of at most limit bytes and removes its
	// terminator. After an error, intact says whether the connection still stands
	// where it can be brought in step.
	receive(limit int) (response []byte, intact bool, err error)
	// pending looks at the connection without waiting: it reports bytes nobody
	// asked for, and io.EOF or another error when the far end is gone.
	pending() (bool, error)
	// endless reports whether blocks of indefinite length can be told from what
	// follows them.
	endless() bool
}

type line interface {
	SetDeadline(t time.Time) error // of the messages that follow
	interrupt()                    // ends the send or receive under way, whatever the deadline
	Close() error                  // in the orderly way
	// Abort closes the connection by a reset. An orderly close would go on
	// delivering what the instrument has not taken yet, long after the guard
	// permitted it.
	Abort() error
}

// clearer is a wire with a way to the instrument past the messages under way.
type clearer interface {
	Clear(ctx context.Context) error // throws them away at both ends
	Status(ctx context.Context) (byte, error)
}

// watch bounds what follows by deadline, and ends it at once when ctx is done.
// The returned function must be called before the next watch; after it the
// watcher touches the connection no more.
func (l *link) watch(ctx context.Context, deadline time.Time) (stop func(), err error) {
	if err := l.SetDeadline(deadline); err != nil {
		return nil, err
	}
	if ctx.Done() == nil {
		return func() {}, nil
	}
	fired := make(chan struct{})
	cancel := context.AfterFunc(ctx, func() {
		defer close(fired)
		l.interrupt()
	})
	return func() {
		if !cancel() {
			<-fired
		}
	}, nil
}

// read reads one response of at most limit bytes.
func (l *link) read(limit int) ([]byte, error) {
	response, intact, err := l.receive(limit)
	if err != nil && !intact {
		l.broken = true
	}
	return response, err
}

// clears reports whether the connection can be brought in step whatever the
// instrument is busy with.
func (l *link) clears() bool {
	_, ok := l.wire.(clearer)
	return ok
}

// past is a deadline that has expired, whatever the clock says.
var past = time.Unix(1, 0)

func isTimeout(err error) bool {
	var e net.Error
	return errors.As(err, &e) && e.Timeout()
}
