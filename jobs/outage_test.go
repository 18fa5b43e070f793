package jobs

import (
	"bytes"
	"context"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"

	"github.com/jackc/pgx/v5/pgxpool"
)

// silence is a network to the database that falls silent: connections stay
// open, and nothing comes through. It begins by itself with the first message
// that frozen finds.
type silence struct {
	frozen func(message []byte) bool

	mu    sync.Mutex
	since time.Time // zero: everything comes through
	over  bool
	conns []*silentConn
}

type silentConn struct {
	net.Conn
	of *silence
}

func (s *silence) dial(ctx context.Context, network, address string) (net.Conn, error) {
	if s.began() {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	conn, err := (&net.Dialer{}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	c := &silentConn{conn, s}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conns = append(s.conns, c)
	return c, nil
}

// began reports whether it is silent now.
func (s *silence) began() bool { return !s.start().IsZero() }

// start returns when it fell silent.
func (s *silence) start() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.since
}

// end closes what was silent; new connections are sound.
func (s *silence) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.since, s.over = time.Time{}, true
	for _, c := range s.conns {
		_ = c.Close() // many are closed already
	}
}

// Write sends, unless it is silent.
func (c *silentConn) Write(p []byte) (int, error) {
	s := c.of
	s.mu.Lock()
	if s.since.IsZero() && !s.over && s.frozen(p) {
		s.since = time.Now()
	}
	silent := !s.since.IsZero()
	s.mu.Unlock()
	if silent {
		return len(p), nil
	}
	return c.Conn.Write(p)
}

// Read receives what comes while it is not silent.
func (c *silentConn) Read(p []byte) (int, error) {
	for {
		n, err := c.Conn.Read(p)
		if err != nil || !c.of.began() {
			return n, err
		}
	}
}

// startBehind sets an agent to work whose database is reached through s.
func (b *testBed) startBehind(s *silence) {
	b.t.Helper()
	config := b.pool.Config()
	config.ConnConfig.DialFunc = s.dial
	pool, err := pgxpool.NewWithConfig(b.t.Context(), config)
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(pool.Close)
	b.start("a", func(o *AgentOptions) { o.Pool = pool })
	b.t.Cleanup(s.end) // before the agent stops
}

// A database that falls silent just when a segment is stored, or between two
// segments, holds nothing up: the carrier that is on the air in that moment
// leaves it before the lease ends.
func TestSilentDatabaseEndsInTheSafeState(t *testing.T) {
	moments := map[string]func(stored, committed bool, message []byte) bool{
		"storing": func(stored, _ bool, _ []byte) bool { return stored },
		"between": func(_, committed bool, _ []byte) bool { return committed },
	}
	for name, moment := range moments {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // they wait more than they work
			b := newTestBed(t, 1, nil)
			id := b.submit(longPlan, "T4-0001")["T4-0001"]
			var stored, committed bool
			s := &silence{frozen: func(message []byte) bool {
				stored = stored || bytes.Contains(message, []byte("INSERT INTO measured_case"))
				now := moment(stored, committed, message)
				committed = stored && bytes.Contains(message, []byte("commit"))
				return now
			}}
			b.startBehind(s)
			within(t, time.Minute, "silence", s.began)
			eventually(t, "a unit off the air", func() bool { return len(b.lab.Transmitting()) == 0 })
			if took, limit := time.Since(s.start()), quick().TTL-quick().Margin; took > limit {
				t.Errorf("off the air %s after the database fell silent, want within %s", took, limit)
			}
			if n := len(b.journal.since(t, 0, "T4-0001", "transmit on")); n == 0 {
				t.Error("the unit was never on the air; nothing was tested")
			}
			s.end()
			if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 12 {
				t.Errorf("run %+v", r)
			}
			b.mustBeClean()
		})
	}
}

// An alarm that could not be stored when it was raised is stored later. Nobody
// has cleared it: DC that was cut stays off.
func TestAlarmOutlivesAnOutage(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) { c.Speed = 1 })
	b.submit(longPlan, "T4-0001")
	c := &cable{}
	config := b.pool.Config()
	config.ConnConfig.DialFunc = c.dial
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	a := b.start("a", func(o *AgentOptions) {
		o.Pool, o.Timings.TTL, o.Timings.SafeRetry = pool, time.Minute, time.Hour
	})
	within(t, time.Minute, "the beginning of a case", func() bool { return len(b.journal.since(t, 0, "T4-0001", "transmit on")) > 1 })
	c.pull(true)
	b.inject("T4-0001", sim.Silent)
	const supply = "bench-1-supply"
	within(t, time.Minute, "DC cut", func() bool { return len(b.journal.since(t, 0, supply, "output off")) > 0 })
	before := len(b.journal.entries(t))
	within(t, time.Minute, "an alarm that was not stored", func() bool {
		tn := a.tenureOf("bench-1")
		tn.mu.Lock()
		defer tn.mu.Unlock()
		return tn.alarm != nil && tn.work == nil
	})
	c.pull(false)
	eventually(t, "an alarm", func() bool { return strings.Contains(b.bench("bench-1").Alarm, "T4-0001 transmitter off") })
	if on := b.journal.since(t, before, supply, "output on"); len(on) > 0 {
		t.Errorf("DC was switched on again before anybody looked: %v", on)
	}
	b.inject("T4-0001", sim.None) // so that the agent leaves the bench safe
}
