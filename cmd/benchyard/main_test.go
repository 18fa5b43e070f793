package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// scratch is where the program under test is built; TestMain removes it.
var scratch string

// built builds the program once for every test that runs it as a process. It
// is built without the race detector: these tests look at behaviour over
// minutes of simulated time, the packages below are tested with it.
var built = sync.OnceValues(func() (string, error) {
	binary := filepath.Join(scratch, "benchyard")
	out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return binary, nil
})

func TestMain(m *testing.M) {
	os.Exit(func() int {
		var err error
		if scratch, err = os.MkdirTemp("", "benchyard-test"); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(scratch)
		return m.Run()
	}())
}

// process is the program running.
type process struct {
	t      *testing.T
	cmd    *exec.Cmd
	output *lockedBuffer
	ended  chan error
}

// lockedBuffer can be read while a process writes to it.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// start runs the program until the test ends or kill is called.
func start(t *testing.T, args ...string) *process {
	t.Helper()
	binary, err := built()
	if err != nil {
		t.Fatal(err)
	}
	p := &process{t: t, cmd: exec.Command(binary, args...), output: &lockedBuffer{}, ended: make(chan error, 1)}
	p.cmd.Stdout, p.cmd.Stderr = p.output, p.output
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { p.ended <- p.cmd.Wait() }()
	t.Cleanup(p.stop)
	return p
}

// stop ends the process in an orderly way and waits for it.
func (p *process) stop() {
	if p.cmd.ProcessState != nil || p.ended == nil {
		return
	}
	_ = p.cmd.Process.Signal(os.Interrupt)
	select {
	case <-p.ended:
	case <-time.After(30 * time.Second):
		_ = p.cmd.Process.Kill()
		<-p.ended
		p.t.Errorf("%s did not end within 30 s of an interrupt:\n%s", p.cmd.Args[1], p.output)
	}
	p.ended = nil
}

// kill ends the process with SIGKILL and waits until it is gone.
func (p *process) kill() {
	_ = p.cmd.Process.Kill()
	<-p.ended
	p.ended = nil
}

// says waits until the process has printed text.
func (p *process) says(text string, limit time.Duration) {
	p.t.Helper()
	await(p.t, limit, "the output of "+p.cmd.Args[1]+" to have "+text, func() bool { return strings.Contains(p.output.String(), text) })
}

// await polls for an outside event.
func await(t *testing.T, limit time.Duration, what string, happened func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !happened() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("waited %s in vain for %s", limit, what)
		}
	}
}

// command runs the program in this process and returns what it printed.
func command(t *testing.T, wantCode int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if code := execute(t.Context(), args, &out, &errs); code != wantCode {
		t.Fatalf("benchyard %s: exit code %d, want %d\n%s%s", strings.Join(args, " "), code, wantCode, out.String(), errs.String())
	}
	return out.String(), errs.String()
}
