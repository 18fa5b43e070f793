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

	fire   func()        // what the end of a context does
	fired  chan struct{} // a token when it has
	unhook func() bool   // keeps it from happening; nil when nothing is watched
}

func newLink(w wire) *link {
	l := &link{wire: w, fired: make(chan struct{}, 1)}
	l.fire = func() {
		w.interrupt()
		l.fired <- struct{}{}
	}
	return l
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
	// receive reads one response of at most limit bytes into spare, which is empty
	// and may be too small, and removes its terminator. Blocks may go to blocks,
	// which may be nil, and leave taken in their place. After an error, intact says
	// whether the connection still stands where it can be brought in step.
	receive(spare []byte, limit int, blocks sink) (response []byte, intact bool, err error)
	// pending looks at the connection without waiting: it reports bytes nobody
	// asked for, and io.EOF or another error when the far end is gone.
	pending() (bool, error)
	// arrived reports whether the next response is known to be here already.
	arrived() bool
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
// Unless it fails, unwatch must be called before the next watch.
func (l *link) watch(ctx context.Context, deadline time.Time) error {
	if err := l.SetDeadline(deadline); err != nil {
		return err
	}
	if ctx.Done() != nil {
		l.unhook = context.AfterFunc(ctx, l.fire)
	}
	return nil
}

// unwatch ends the watching: after it the end of ctx touches the connection no more.
func (l *link) unwatch() {
	if l.unhook != nil && !l.unhook() {
		<-l.fired
	}
	l.unhook = nil
}

// read reads one response of at most limit bytes, into spare where it fits.
func (l *link) read(spare []byte, limit int, blocks sink) ([]byte, error) {
	response, intact, err := l.receive(spare, limit, blocks)
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
