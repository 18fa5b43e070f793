//go:build linux && chaos

package chaos

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// message is something that an agent said and that reached an instrument.
type message struct {
	at         time.Time // when it was handed to the instrument
	held       time.Duration
	instrument string
	owner      string // name of the agent
	text       string // its beginning
}

// wire carries connections to one place. Stalled, it carries nothing and closes
// nothing; cut, it closes everything and lets nobody in.
type wire struct {
	name     string
	listener net.Listener
	network  string
	address  string
	owner    func(net.Conn) string // nil: nobody asks who it is
	heard    func(message)

	wait    sync.WaitGroup
	mu      sync.Mutex
	changed *sync.Cond
	stalled bool
	down    bool
	begun   func() // called once, before the next transaction begins; nil: nobody waits for it
	conns   map[net.Conn]bool
}

func newWire(name, network, address string) (*wire, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	w := &wire{name: name, listener: l, network: network, address: address, conns: map[net.Conn]bool{}}
	w.changed = sync.NewCond(&w.mu)
	return w, nil
}

func (w *wire) port() int { return w.listener.Addr().(*net.TCPAddr).Port }

// serve carries until close.
func (w *wire) serve() {
	w.wait.Go(func() {
		for {
			near, err := w.listener.Accept()
			if err != nil {
				return
			}
			w.wait.Go(func() { w.carry(near) })
		}
	})
}

// carry serves one connection. Of an agent that is gone before it was known nothing
// reaches the instrument.
func (w *wire) carry(near net.Conn) {
	defer near.Close()
	owner := ""
	if w.owner != nil {
		if owner = w.owner(near); owner == "" {
			return
		}
	}
	far, err := net.Dial(w.network, w.address)
	if err != nil {
		return
	}
	defer far.Close()
	if !w.admit(near, far) {
		return
	}
	var both sync.WaitGroup
	both.Go(func() { w.pump(far, near, owner); far.Close(); near.Close() })
	both.Go(func() { w.pump(near, far, ""); far.Close(); near.Close() })
	both.Wait()
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.conns, near)
	delete(w.conns, far)
}

func (w *wire) admit(near, far net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.down {
		w.conns[near], w.conns[far] = true, true
	}
	return !w.down
}

// pump carries one direction. What was held while its sender left is lost, as on a
// network that lost it before.
func (w *wire) pump(to, from net.Conn, owner string) {
	read := make(chan []byte, 64)
	gone := make(chan struct{})
	quit := make(chan struct{})
	var reader sync.WaitGroup
	reader.Go(func() {
		defer close(read)
		defer close(gone)
		for {
			b := make([]byte, 16<<10)
			n, err := from.Read(b)
			if n > 0 {
				select {
				case read <- b[:n]:
				case <-quit:
					return
				}
			}
			if err != nil {
				return
			}
		}
	})
	for b := range read {
		held := w.through()
		if held > 0 && isClosed(gone) {
			break
		}
		w.watch(b)
		if owner != "" {
			w.heard(message{time.Now(), held, w.name, owner, string(b[:min(len(b), 60)])})
		}
		if _, err := to.Write(b); err != nil {
			break
		}
	}
	close(quit)
	from.Close()
	reader.Wait()
}

// watch calls who waits for the beginning of a transaction.
func (w *wire) watch(b []byte) {
	w.mu.Lock()
	begun := w.begun
	if begun == nil || !bytes.Contains(b, []byte("begin")) {
		w.mu.Unlock()
		return
	}
	w.begun = nil
	w.mu.Unlock()
	begun()
}

// onBegin has f called once, before the next transaction begins; nil takes that back.
func (w *wire) onBegin(f func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.begun = f
}

func isClosed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// through waits for the end of a stall and returns how long that took.
func (w *wire) through() time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.stalled {
		return 0
	}
	start := time.Now()
	for w.stalled {
		w.changed.Wait()
	}
	return time.Since(start)
}

func (w *wire) stall(stalled bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.stalled = stalled
	w.changed.Broadcast()
}

func (w *wire) cut(down bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.down = down
	if down {
		for c := range w.conns {
			c.Close()
		}
	}
}

func (w *wire) close() {
	w.listener.Close()
	w.stall(false)
	w.cut(true)
	w.wait.Wait()
}

// pidOf returns which of the processes has the other end of a connection on this
// machine, zero for none of them.
func pidOf(c net.Conn, pids []int) int {
	inode := inodeOf(c.RemoteAddr().(*net.TCPAddr).Port, c.LocalAddr().(*net.TCPAddr).Port)
	if inode == "" {
		return 0
	}
	for _, pid := range pids {
		files, err := filepath.Glob(fmt.Sprintf("/proc/%d/fd/*", pid))
		if err != nil {
			continue
		}
		for _, f := range files {
			if to, err := os.Readlink(f); err == nil && to == "socket:["+inode+"]" {
				return pid
			}
		}
	}
	return 0
}

// inodeOf returns the socket with these ports, from the table of the kernel: column
// 2 is the local address, 3 the other one, 10 the inode (proc(5), /proc/net/tcp).
func inodeOf(local, remote int) string {
	table, err := os.ReadFile("/proc/net/tcp")
	if err != nil {
		return ""
	}
	for line := range strings.Lines(string(table)) {
		f := strings.Fields(line)
		if len(f) > 9 && strings.HasSuffix(f[1], fmt.Sprintf(":%04X", local)) && strings.HasSuffix(f[2], fmt.Sprintf(":%04X", remote)) {
			return f[9]
		}
	}
	return ""
}
