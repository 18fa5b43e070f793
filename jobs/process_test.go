package jobs

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"benchyard/jobs/conformance"
	"benchyard/jobs/postgres"
)

// childVariable holds the database URL for an agent in a process of its own:
// only a process can be killed or stopped the hard way.
const childVariable = "BENCHYARD_TEST_AGENT_URL"

// agentProcess is the child: an agent that works until its input is closed.
func agentProcess() int {
	ctx := context.Background()
	pool, err := postgres.OpenPool(ctx, os.Getenv(childVariable), "child", 0)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 3
	}
	defer pool.Close()
	name, timings := "child", quick()
	if given := os.Getenv(nameVariable); given != "" {
		name, timings = given, childTimings()
	}
	a, err := NewAgent(AgentOptions{
		Pool: pool, Name: name, Version: "test", Timings: timings, Logger: slog.New(slog.NewTextHandler(os.Stderr, nil)),
	})
	if err == nil {
		err = a.Start(ctx)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 3
	}
	_, _ = os.Stdin.Read(make([]byte, 1)) // ends with the parent
	if err := a.Stop(ctx); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 3
	}
	return 0
}

// child is an agent in a process of its own.
type child struct {
	*exec.Cmd
	log safeBuffer
}

type safeBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

// Write appends to the log.
func (b *safeBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

// String returns the log so far.
func (b *safeBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

func (b *testBed) startChild() *child {
	b.t.Helper()
	return b.startChildAt("", "", b.pool.Config().ConnString())
}

// startChildAt starts a child in a network namespace, empty for that of the test, with
// a name and its own way to the database.
func (b *testBed) startChildAt(namespace, name, database string) *child {
	b.t.Helper()
	c := &child{Cmd: exec.Command(os.Args[0])}
	if namespace != "" {
		c.Cmd = exec.Command("ip", "netns", "exec", namespace, os.Args[0])
	}
	c.Env = append(os.Environ(), childVariable+"="+database, nameVariable+"="+name)
	c.Stderr = &c.log
	in, err := c.StdinPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() {
		_ = c.Process.Kill() // may have ended
		_ = c.Wait()         // killed: the error says so
		_ = in.Close()
		if b.t.Failed() {
			b.t.Logf("log of the child:\n%s", c.log.String())
		}
	})
	return c
}

func (c *child) signal(t *testing.T, s syscall.Signal) {
	t.Helper()
	if err := c.Process.Signal(s); err != nil {
		t.Fatal(err)
	}
}

// An agent killed while a unit transmits: the next one takes the unit off the
// air before anything else and finishes the run; no case is lost or stored twice.
func TestKilledAgentIsReplaced(t *testing.T) {
	b := newTestBed(t, 1, slow)
	id := b.submit(longPlan, "T4-0001")["T4-0001"]
	c := b.startChild()
	within(t, time.Minute, "a unit on the air in the middle of the run", func() bool {
		return b.stored(id) >= 2 && len(b.lab.Transmitting()) > 0
	})
	c.signal(t, syscall.SIGKILL)
	_ = c.Wait() // killed: the error says so
	before := len(b.journal.entries(t))
	kept := b.stored(id)
	b.start("b", nil)
	r := b.await(id)
	if r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 12 {
		t.Errorf("run %+v", r)
	}
	for _, e := range b.journal.entries(t)[before:] {
		if e.Kind == "connect" || e.Kind == "disconnect" {
			continue
		}
		if e.Kind != "transmit off" {
			t.Errorf("after the kill came %q of %s first, want transmit off", e.Kind, e.Instrument)
		}
		break
	}
	if kept == 12 {
		t.Error("the run was over when the agent was killed; nothing was tested")
	}
	if n := b.count(`SELECT count(*) FROM (SELECT DISTINCT case_key FROM measured_case WHERE run_id = $1) k`, id); n != 12 {
		t.Errorf("%d different cases, want 12", n)
	}
	if n := b.count(`SELECT count(*) FROM run_segment WHERE run_id = $1 AND number <= $2 AND attempts <> 1`, id, kept); n > 0 {
		t.Errorf("%d segments that were stored were begun again", n)
	}
	b.mustBeClean()
}

// An agent that is stopped for longer than its lease and goes on: it is fenced.
// It writes to no instrument and stores nothing.
func TestPausedAgentIsFenced(t *testing.T) {
	b := newTestBed(t, 1, slow)
	id := b.submit(longPlan, "T4-0001")["T4-0001"]
	c := b.startChild()
	within(t, time.Minute, "the middle of the run", func() bool { return b.stored(id) >= 2 && len(b.lab.Transmitting()) > 0 })
	c.signal(t, syscall.SIGSTOP)
	b.start("b", nil)
	r := b.await(id)
	if r.State != Done || r.CasesDone != 12 {
		t.Errorf("run %+v", r)
	}
	within(t, time.Minute, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	quiet := len(b.journal.entries(t))
	rows := b.stored(id)
	if strings.Contains(c.log.String(), "lease lost") {
		t.Fatal("the child lost its lease before it was stopped; nothing was tested")
	}
	c.signal(t, syscall.SIGCONT)
	within(t, time.Minute, "the child noticing that it lost its lease", func() bool { return strings.Contains(c.log.String(), "lease lost") })
	for _, e := range b.journal.entries(t)[quiet:] {
		if e.Kind != "connect" && e.Kind != "disconnect" {
			t.Errorf("the fenced agent did something: %s %s %s", e.Instrument, e.Kind, e.Detail)
		}
	}
	if n := b.stored(id); n != rows {
		t.Errorf("%d cases after the fenced agent went on, %d before", n, rows)
	}
	if holder := b.bench("bench-1").Holder; holder != "b" {
		t.Errorf("the lease is held by %q, want b", holder)
	}
	b.mustBeClean()
}
