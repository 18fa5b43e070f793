//go:build linux && chaos

package chaos

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

// agent is a place for agent processes, one after the other. Each of them has a name
// of its own, so that it is known who did what.
type agent struct {
	yard   *yard
	number int
	wire   *wire // to the database
	url    string

	mu      sync.Mutex
	process *process // nil: none
	count   int
}

// process is one agent process.
type process struct {
	name    string
	cmd     *exec.Cmd
	in      io.WriteCloser
	started time.Time
	ready   chan struct{} // closed when it works, or has ended
	ended   chan struct{}
}

func (y *yard) newAgent(i int) *agent {
	a := &agent{yard: y, number: i + 1}
	a.wire, a.url = y.wireToDatabase(fmt.Sprintf("database of a%d", i+1))
	return a
}

// start starts the next process.
func (a *agent) start() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.count++
	p := &process{
		name: fmt.Sprintf("a%d.%d", a.number, a.count), cmd: exec.Command(os.Args[0]), started: time.Now(),
		ready: make(chan struct{}), ended: make(chan struct{}),
	}
	p.cmd.Env = append(os.Environ(), urlVariable+"="+a.url, nameVariable+"="+p.name, blobVariable+"="+a.yard.dir)
	log, err := os.Create(filepath.Join(a.yard.dir, p.name+".log"))
	if err != nil {
		return err
	}
	p.cmd.Stderr = log
	if p.in, err = p.cmd.StdinPipe(); err != nil {
		return err
	}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := p.cmd.Start(); err != nil {
		return err
	}
	a.process = p
	a.yard.wait.Go(func() {
		if in := bufio.NewScanner(out); in.Scan() && in.Text() == "ready" {
			close(p.ready)
			_, _ = io.Copy(io.Discard, out) // ends with the process
		} else {
			close(p.ready)
		}
		_ = p.cmd.Wait() // it is killed more often than not
		log.Close()
		close(p.ended)
	})
	return nil
}

// current returns the process, nil for none.
func (a *agent) current() *process {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.process
}

// signal sends a signal to the process.
func (p *process) signal(s syscall.Signal) error { return p.cmd.Process.Signal(s) }

// tell says something to the process.
func (p *process) tell(line string) error {
	_, err := io.WriteString(p.in, line+"\n")
	return err
}

func (p *process) over() bool { return isClosed(p.ended) }

// ownerOf returns the name of the agent whose process has the other end.
func (y *yard) ownerOf(c net.Conn) string {
	names := map[int]string{}
	var pids []int
	for _, a := range y.agents {
		if p := a.current(); p != nil && !p.over() {
			names[p.cmd.Process.Pid] = p.name
			pids = append(pids, p.cmd.Process.Pid)
		}
	}
	return names[pidOf(c, pids)]
}
