package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

const (
	lockInterval  = 100 * time.Millisecond // how soon the next program takes a server over
	readyInterval = 20 * time.Millisecond
	shortestPause = 200 * time.Millisecond // before a server that died is started again
	longestPause  = 30 * time.Second
	healthyAfter  = time.Minute      // a server that lived so long starts anew without a long pause
	stopLimit     = 60 * time.Second // for the shutdown checkpoint; then the server is killed and recovers at its next start
)

// keeper makes sure that somebody runs the server: this program whenever the
// lock is free, else whoever has it.
type keeper struct {
	cluster cluster
	log     *slog.Logger
	stop    context.CancelFunc
	done    chan struct{}

	awaited atomic.Bool // Open waits and will return what goes wrong; later it is logged
	failed  chan error  // the latest failure while awaited
}

// keep starts the keeper; close ends it.
func keep(c cluster, log *slog.Logger) *keeper {
	ctx, cancel := context.WithCancel(context.Background())
	k := &keeper{cluster: c, log: log, stop: cancel, done: make(chan struct{}), failed: make(chan error, 1)}
	k.awaited.Store(true)
	go k.loop(ctx)
	return k
}

// close shuts down the server if this program runs it, and waits for that.
func (k *keeper) close() {
	k.stop()
	<-k.done
}

// await returns when the server takes statements, or with the reason why this
// program cannot start it.
func (k *keeper) await(ctx context.Context) error {
	defer k.awaited.Store(false)
	for {
		wait, err := k.cluster.ready(ctx)
		if err == nil || !wait {
			return err
		}
		select {
		case failed := <-k.failed:
			return failed
		case <-ctx.Done():
			return fmt.Errorf("postgres: the private server in %s does not come up: %w; last: %w", k.cluster.root, ctx.Err(), err)
		case <-time.After(readyInterval):
		}
	}
}

// loop keeps its thread to itself: the kernel's parent-death signal goes by
// the thread that started the server, which must live as long as the server.
func (k *keeper) loop(ctx context.Context) {
	defer close(k.done)
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	pause := shortestPause
	for ctx.Err() == nil {
		began := time.Now()
		ran, err := k.turn(ctx)
		next := lockInterval
		switch {
		case ctx.Err() != nil:
			return
		case ran || err != nil:
			if time.Since(began) > healthyAfter {
				pause = shortestPause
			}
			next, pause = pause, min(2*pause, longestPause)
			k.report(err, next)
		}
		select {
		case <-ctx.Done():
		case <-time.After(next):
		}
	}
}

func (k *keeper) report(err error, next time.Duration) {
	if err == nil {
		err = errors.New("postgres: the private server was shut down by somebody else")
	}
	if !k.awaited.Load() {
		k.log.Error("the private server stopped", "error", err, "next_try", next)
		return
	}
	select {
	case <-k.failed: // only the latest is of interest
	default:
	}
	k.failed <- err
}

// turn runs the server until it ends, if the lock is free; ran is false when
// somebody else runs it.
func (k *keeper) turn(ctx context.Context) (ran bool, err error) {
	c := k.cluster
	lock, err := c.tryLock()
	if err != nil || lock == nil {
		return false, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	if c.runsUnlocked() {
		return false, nil
	}
	if err := c.create(ctx, lock); err != nil {
		return true, err
	}
	if err := c.dropForeignPid(); err != nil {
		return true, err
	}
	return true, k.run(ctx, lock)
}

// run starts the server and waits for its end. The end of ctx asks for a fast
// shutdown, which loses nothing.
func (k *keeper) run(ctx context.Context, lock *os.File) error {
	lines := &logLines{log: k.log}
	cmd := k.cluster.command(ctx, "postgres", k.cluster.arguments()...)
	cmd.ExtraFiles = []*os.File{lock} // inherited by every process of the server
	cmd.Stdout, cmd.Stderr = io.Discard, lines
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGINT) }
	cmd.WaitDelay = stopLimit
	k.log.Debug("starting the private server", "data", k.cluster.data(), "programs", k.cluster.programs.dir)
	err := cmd.Run()
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("postgres: the private server in %s ended: %s (%w)", k.cluster.data(), withRemedy(lines.reason()), err)
	}
	return nil
}

// postmaster returns the process number in postmaster.pid; zero: there is none.
func (c cluster) postmaster() int {
	text, err := os.ReadFile(filepath.Join(c.data(), "postmaster.pid"))
	if err != nil {
		return 0
	}
	line, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(line))
	if err != nil || pid <= 0 {
		return 0
	}
	return pid
}

// runsUnlocked tells whether a server that somebody started by hand, without
// our lock, works on the data directory. It is used like any other.
func (c cluster) runsUnlocked() bool {
	pid := c.postmaster()
	return pid != 0 && c.worksHere(pid)
}

// worksHere tells whether process pid has the data directory as its working
// directory, which only a server does. Without /proc it cannot know and says no;
// PostgreSQL's own check of the process number decides then.
func (c cluster) worksHere(pid int) bool {
	cwd, err := os.Readlink(filepath.Join("/proc", strconv.Itoa(pid), "cwd"))
	if err != nil {
		return false
	}
	data, err := filepath.EvalSymlinks(c.data())
	return err == nil && cwd == data
}

// dropForeignPid removes a postmaster.pid whose number now belongs to some
// other program, as happens when a container starts again after a power cut:
// PostgreSQL would take that program for a server and refuse to start. The
// caller holds the lock, so no process of an earlier server is left.
func (c cluster) dropForeignPid() error {
	pid := c.postmaster()
	if pid == 0 {
		return nil
	}
	if _, err := os.Stat(filepath.Join("/proc", strconv.Itoa(pid), "cwd")); err != nil || c.worksHere(pid) {
		return nil // gone, or not to be judged from here
	}
	err := os.Remove(filepath.Join(c.data(), "postmaster.pid"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("postgres: removing a stale postmaster.pid: %w", err)
	}
	return nil
}
