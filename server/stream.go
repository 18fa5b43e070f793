package server

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
)

const (
	keepAlive = 15 * time.Second // comment on a quiet stream, so that nobody between closes it
	settle    = 300 * time.Millisecond
	reconnect = time.Second
	// writeTime is how long a reader may keep a message waiting. It is shorter
	// than shutdownGrace, so that one that went to sleep does not hold up the stop.
	writeTime = 5 * time.Second
	batch     = 500 // events read at once
)

// bell wakes every stream at once when the outbox grew. It carries no data:
// each stream reads the outbox from where it stands.
type bell struct {
	mu   sync.Mutex
	rung chan struct{}
}

func newBell() *bell { return &bell{rung: make(chan struct{})} }

func (b *bell) next() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.rung
}

func (b *bell) ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	close(b.rung)
	b.rung = make(chan struct{})
}

// listen rings the bell for every notification of the outbox until ctx ends. A
// lost connection is opened again; the bell rings then too, because something
// may have been missed.
func (s *Server) listen(ctx context.Context) {
	for ctx.Err() == nil {
		if err := s.listenOnce(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn("server: live updates lost the database, trying again", "error", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(reconnect):
		}
	}
}

func (s *Server) listenOnce(ctx context.Context) error {
	conn, err := pgx.ConnectConfig(ctx, s.pool.Config().ConnConfig.Copy())
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if _, err := conn.Exec(ctx, "LISTEN benchyard"); err != nil {
		return err
	}
	s.bell.ring()
	for {
		if _, err := conn.WaitForNotification(ctx); err != nil {
			return err
		}
		s.bell.ring()
	}
}

// eventStream writes one SSE answer.
type eventStream struct {
	w   http.ResponseWriter
	out *http.ResponseController
}

func openStream(c echo.Context) (*eventStream, error) {
	h := c.Response().Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	c.Response().WriteHeader(http.StatusOK)
	st := &eventStream{w: c.Response(), out: http.NewResponseController(c.Response())}
	return st, st.comment("open")
}

func (st *eventStream) comment(text string) error {
	return st.write([]byte(": " + text + "\n\n"))
}

// write gives the reader its own time for every message: the stream as a whole
// has no end, but a message must get through.
func (st *eventStream) write(b []byte) error {
	if err := st.out.SetWriteDeadline(time.Now().Add(writeTime)); err != nil {
		return err
	}
	if _, err := st.w.Write(b); err != nil {
		return err
	}
	return st.out.Flush()
}

// send writes one message; id 0 leaves its id out.
func (st *eventStream) send(name string, id int64, data []byte) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "event: %s\n", name)
	if id != 0 {
		fmt.Fprintf(&b, "id: %d\n", id)
	}
	for line := range bytes.Lines(data) {
		b.WriteString("data: ")
		b.Write(bytes.TrimRight(line, "\r\n"))
		b.WriteByte('\n')
	}
	b.WriteByte('\n')
	return st.write(b.Bytes())
}

// lastEvent is where a stream resumes: the id a browser saw last, else the one
// its page was rendered at.
func lastEvent(c echo.Context) (int64, error) {
	text := c.Request().Header.Get("Last-Event-ID")
	if text == "" {
		text = c.QueryParam("after")
	}
	if text == "" {
		return 0, nil
	}
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 0 {
		return 0, badRequest("the last event id must be a whole number")
	}
	return id, nil
}

// follow calls each for every batch of new events after the given id until the
// reader leaves or the server stops. Bursts are gathered for a moment, so that
// a page is not rendered for every case of three benches. A quiet stream gets
// each with no events now and then: a lease that runs out changes the lab and
// writes no event.
func (s *Server) follow(c echo.Context, st *eventStream, after int64, each func(context.Context, []jobs.Event, int64) error) error {
	ctx := c.Request().Context()
	quiet := time.NewTicker(keepAlive)
	defer quiet.Stop()
	last, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return s.endStream(ctx, err)
	}
	if after > last { // an event of another database, which this one has taken the place of
		after = last
		if err := each(ctx, nil, after); err != nil {
			return s.endStream(ctx, err)
		}
	}
	for {
		wake := s.bell.next()
		events, err := jobs.EventsAfter(ctx, s.pool, after, batch)
		if err != nil {
			return s.endStream(ctx, err)
		}
		if len(events) > 0 {
			after = events[len(events)-1].ID
			if err := each(ctx, events, after); err != nil {
				return s.endStream(ctx, err)
			}
			wake = pause(ctx, settle)
		}
		select {
		case <-wake:
		case <-quiet.C:
			if err := errors.Join(st.comment("quiet"), each(ctx, nil, after)); err != nil {
				return s.endStream(ctx, err)
			}
		case <-ctx.Done():
			return nil
		case <-s.stopping:
			return nil
		}
	}
}

// pause returns a channel that closes after d or when ctx ends.
func pause(ctx context.Context, d time.Duration) <-chan struct{} {
	short, cancel := context.WithTimeout(ctx, d)
	context.AfterFunc(short, cancel)
	return short.Done()
}

// endStream logs why a stream broke off. Its status is long sent, so the error
// goes no further; the browser connects again by itself.
func (s *Server) endStream(ctx context.Context, err error) error {
	if ctx.Err() == nil {
		s.log.Warn("server: a live stream ended", "error", err)
	}
	return nil
}
