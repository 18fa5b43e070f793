package jobs

import (
	"context"
	"errors"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/jobs/conformance"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
)

// cable is the network between an agent and the database: it can be pulled.
type cable struct {
	mu     sync.Mutex
	pulled bool
	conns  []net.Conn
}

func (c *cable) dial(ctx context.Context, network, address string) (net.Conn, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.pulled {
		return nil, errors.Join(errors.New("the cable is pulled"), conn.Close())
	}
	c.conns = append(c.conns, conn)
	return conn, nil
}

func (c *cable) pull(pulled bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pulled = pulled
	for _, conn := range c.conns {
		_ = conn.Close() // many are closed already
	}
	c.conns = nil
}

// An agent that loses its database in the middle of a run takes the unit off
// the air by itself, before its lease ends; when the database is back it goes on.
func TestLostHeartbeatEndsInTheSafeState(t *testing.T) {
	b := newTestBed(t, 1, slow)
	id := b.submit(longPlan, "T4-0001")["T4-0001"]
	c := &cable{}
	config := b.pool.Config()
	config.ConnConfig.DialFunc = c.dial
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	b.start("a", func(o *AgentOptions) { o.Pool = pool })
	within(t, time.Minute, "the middle of the run", func() bool { return b.stored(id) >= 2 && len(b.lab.Transmitting()) > 0 })
	c.pull(true)
	pulled := time.Now()
	eventually(t, "a unit off the air", func() bool { return len(b.lab.Transmitting()) == 0 })
	// The last renewal was sent before the cable was pulled.
	if took, limit := time.Since(pulled), quick().TTL-quick().Margin; took > limit {
		t.Errorf("off the air %s after the cable was pulled, want within %s", took, limit)
	}
	c.pull(false)
	if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 12 {
		t.Errorf("run %+v", r)
	}
	b.mustBeClean()
}

// tenureOf returns how the agent holds a bench, which it does.
func (a *Agent) tenureOf(bench string) *tenure {
	return a.keeperOfQueue(queueOf(bench)).held()
}

// A segment that ignores its end: the bench is in alarm, nothing is written
// any more, the process is told to exit, and another agent takes over.
func TestStuckSegmentIsGivenUp(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	a, id := b.midRun(longPlan)
	a.jobStuck(t.Context(), river.JobStuckHandlerParams{Queue: queueOf("bench-1")})
	select {
	case err := <-a.Failed():
		if !strings.Contains(err.Error(), "exit this process") {
			t.Errorf("failure %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("the agent does not say that it failed")
	}
	if s := b.bench("bench-1"); !strings.Contains(s.Alarm, "did not end") {
		t.Errorf("bench %+v, want an alarm", s)
	}
	b.start("b", nil)
	if r := b.await(id); r.State != Done || r.CasesDone != 12 {
		t.Errorf("run %+v", r)
	}
	if holder := b.bench("bench-1").Holder; holder != "b" {
		t.Errorf("the lease is held by %q, want b", holder)
	}
	b.mustBeClean()
}

// Work that goes on after its end is noticed without River, whose time-out is
// longer than any wait for a person; work that ends in time is not.
func TestWorkThatIgnoresItsEndIsNoticed(t *testing.T) {
	b := newTestBed(t, 1, nil)
	a := b.start("a", nil)
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	tn := a.tenureOf("bench-1")
	ctx, cancel := context.WithCancel(t.Context())
	tn.watchEnd(ctx, time.Minute)() // ended before its end
	ended := tn.watchEnd(ctx, time.Minute)
	stuck := tn.watchEnd(ctx, 50*time.Millisecond)
	defer stuck()
	cancel()
	ended()
	select {
	case err := <-a.Failed():
		if !strings.Contains(err.Error(), "work on bench-1 did not end") {
			t.Errorf("failure %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("nobody noticed")
	}
	if !tn.surrendered() {
		t.Error("the bench is not given up")
	}
}

// Work that cannot be interrupted does not keep the process from exiting.
func TestAgentStopsWithoutAStuckSegment(t *testing.T) {
	b := newTestBed(t, 1, nil)
	a := b.start("a", nil)
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	_, end, ok := a.tenureOf("bench-1").begin(t.Context(), newID(t))
	if !ok {
		t.Fatal("the bench takes no work")
	}
	defer end()
	a.jobStuck(t.Context(), river.JobStuckHandlerParams{Queue: queueOf("bench-1")})
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		b.stop(a)
	}()
	select {
	case <-stopped:
	case <-time.After(20 * time.Second):
		t.Error("the agent waits for a segment that does not end")
	}
}

// A bench that was left as it transmitted, with no run to go on with, is made
// safe by whoever looks after it.
func TestIdleBenchIsMadeSafe(t *testing.T) {
	b := newTestBed(t, 1, nil)
	a := b.start("a", nil)
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	before := len(b.journal.since(t, 0, "T4-0001", "transmit off"))
	tn := a.tenureOf("bench-1")
	tn.rig.unsafe()
	poke(tn.wake)
	eventually(t, "a unit told to mute", func() bool { return len(b.journal.since(t, 0, "T4-0001", "transmit off")) > before })
}
