//go:build linux && chaos

package chaos

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/postgres"
)

// What an agent process is told by its environment.
const (
	urlVariable  = "BENCHYARD_CHAOS_AGENT_URL"
	nameVariable = "BENCHYARD_CHAOS_AGENT_NAME"
	blobVariable = "BENCHYARD_CHAOS_AGENT_BLOBS"
)

// timings of the agents: short, but of a machine that has other things to do.
func timings() jobs.Timings {
	return jobs.Timings{
		TTL: 6 * time.Second, Renew: time.Second, Margin: 1500 * time.Millisecond, Grace: time.Second,
		SafeStep: time.Second, SafeRetry: time.Second, Exchange: 2 * time.Second, Boot: 3 * time.Second, Recheck: 5 * time.Second,
		Poll: 500 * time.Millisecond, Segment: time.Minute, SoftStop: 10 * time.Second,
	}
}

// self is what an agent process can have happen to itself.
type self struct {
	jump atomic.Int64   // of its wall clock, nanoseconds
	room syscall.Rlimit // of the size of files, as it was at the start
}

// agentProcess is the child: it works until its input ends, and does to itself what
// it is told there: "clock 1h" has its wall clock jump, "full" and "room" take the
// disk away and give it back.
func agentProcess() error {
	ctx := context.Background()
	signal.Ignore(syscall.SIGXFSZ) // a write to a full disk is an error then
	name := os.Getenv(nameVariable)
	pool, err := postgres.OpenPool(ctx, os.Getenv(urlVariable), name, 20)
	if err != nil {
		return err
	}
	defer pool.Close()
	store := blob.NewStore(pool, blob.Place{DataDir: os.Getenv(blobVariable)})
	defer store.Close()
	var me self
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &me.room); err != nil {
		return err
	}
	a, err := jobs.NewAgent(jobs.AgentOptions{
		Pool: pool, Name: name, Version: "chaos", Timings: timings(), Blobs: store, RowLimit: 1,
		Logger: slog.New(slog.NewTextHandler(os.Stderr, nil)),
		Clock:  func() time.Time { return time.Now().Add(time.Duration(me.jump.Load())) },
	})
	if err != nil {
		return err
	}
	if err := a.Start(ctx); err != nil {
		return err
	}
	fmt.Println("ready")
	over := make(chan struct{})
	go func() {
		defer close(over)
		for in := bufio.NewScanner(os.Stdin); in.Scan(); {
			if err := me.obey(in.Text()); err != nil {
				fmt.Fprintln(os.Stderr, "chaos:", err)
			}
		}
	}()
	select {
	case <-over:
		return a.Stop(ctx)
	case err := <-a.Failed():
		return err
	}
}

// obey does one thing that the test says.
func (s *self) obey(line string) error {
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "clock":
		d, err := time.ParseDuration(rest)
		s.jump.Store(int64(d))
		return err
	case "full":
		return syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 0, Max: s.room.Max})
	case "room":
		return syscall.Setrlimit(syscall.RLIMIT_FSIZE, &s.room)
	}
	return fmt.Errorf("%q is not understood", line)
}
