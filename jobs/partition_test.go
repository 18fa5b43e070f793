package jobs

import (
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
)

// nameVariable names the agent of a child process. One that has a name has a longer
// lease than others: the machine of the test may be busy.
const nameVariable = "BENCHYARD_TEST_AGENT_NAME"

// childTimings are the clocks of a child with a name.
func childTimings() Timings {
	t := quick()
	t.TTL, t.Margin = 8*time.Second, 1500*time.Millisecond
	return t
}

// network is two places from which agents reach instruments and the database, each by
// a way of its own, one of which can be cut.
type network struct {
	t          *testing.T
	host       string      // address of the instruments
	names      [2]string   // of the network namespaces; empty: the places are this machine
	ways       [2]*forward // to the database
	interfaces [2]string   // whose end is the way to the database
}

// newNetwork makes two network namespaces with two links each. Where that is not
// permitted, the ways are plain connections that can be silenced.
func newNetwork(t *testing.T) *network {
	n := &network{t: t, host: "127.0.0.1"}
	if os.Getuid() == 0 && n.namespaces() {
		return n
	}
	t.Log("no network namespaces here: the connections are silenced instead")
	n.host, n.names = "127.0.0.1", [2]string{}
	return n
}

// namespaces reports whether it could make them: two bridges, one for the instruments
// and one for the database, and in each namespace an end on either.
func (n *network) namespaces() bool {
	id := os.Getpid() % 10000
	lab, database := fmt.Sprintf("byl%d", id), fmt.Sprintf("byd%d", id)
	subnet := fmt.Sprintf("10.%d.%d.", 180+id%50, 1+id/50)
	n.host = subnet + "1"
	n.t.Cleanup(func() {
		for _, name := range []string{lab, database} {
			_ = exec.Command("ip", "link", "del", name).Run() // may not have come to be
		}
		for i := range 2 {
			_ = exec.Command("ip", "link", "del", fmt.Sprintf("%s.%d", lab, i)).Run()
			_ = exec.Command("ip", "link", "del", fmt.Sprintf("%s.%d", database, i)).Run()
			_ = exec.Command("ip", "netns", "del", fmt.Sprintf("by%d-%d", id, i)).Run()
		}
	})
	ok := n.ip("link add %s type bridge", lab) && n.ip("addr add %s1/25 dev %s", subnet, lab) && n.ip("link set %s up", lab) &&
		n.ip("link add %s type bridge", database) && n.ip("addr add %s129/25 dev %s", subnet, database) && n.ip("link set %s up", database)
	for i := range 2 {
		name := fmt.Sprintf("by%d-%d", id, i)
		n.names[i], n.interfaces[i] = name, fmt.Sprintf("%s.%d", database, i)
		ok = ok && n.ip("netns add %s", name) && n.join(name, lab, fmt.Sprintf("%s.%d", lab, i), fmt.Sprintf("%s%d/25", subnet, 10+i)) &&
			n.join(name, database, n.interfaces[i], fmt.Sprintf("%s%d/25", subnet, 140+i))
	}
	return ok
}

// join gives a namespace an end on a bridge.
func (n *network) join(name, bridge, end, address string) bool {
	inner := end + "i"
	return n.ip("link add %s type veth peer name %s netns %s", end, inner, name) && n.ip("link set %s master %s up", end, bridge) &&
		n.ip("-n %s addr add %s dev %s", name, address, inner) && n.ip("-n %s link set %s up", name, inner) && n.ip("-n %s link set lo up", name)
}

func (n *network) ip(format string, args ...any) bool {
	out, err := exec.Command("ip", strings.Fields(fmt.Sprintf(format, args...))...).CombinedOutput()
	if err != nil {
		n.t.Logf("ip %s: %v, %s", fmt.Sprintf(format, args...), err, out)
	}
	return err == nil
}

// databaseAt returns the URL under which a place reaches the database of a bed.
func (n *network) databaseAt(place int, b *testBed) string {
	n.t.Helper()
	c := b.pool.Config().ConnConfig
	host := "127.0.0.1"
	if n.names[place] != "" {
		host = n.host[:strings.LastIndex(n.host, ".")] + ".129"
	}
	to := [2]string{"tcp", net.JoinHostPort(c.Host, fmt.Sprint(c.Port))}
	if strings.HasPrefix(c.Host, "/") {
		to = [2]string{"unix", fmt.Sprintf("%s/.s.PGSQL.%d", c.Host, c.Port)}
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, "0"))
	if err != nil {
		n.t.Fatal(err)
	}
	n.ways[place] = newForward(l, to)
	n.t.Cleanup(n.ways[place].close)
	u := url.URL{Scheme: "postgres", User: url.UserPassword(c.User, c.Password), Host: l.Addr().String(), Path: c.Database, RawQuery: "sslmode=disable"}
	return u.String()
}

// cut takes the way of a place to the database away, or gives it back.
func (n *network) cut(place int, cut bool) {
	n.t.Helper()
	if n.names[place] == "" {
		n.ways[place].silence(cut)
		return
	}
	if !n.ip("link set %s %s", n.interfaces[place], map[bool]string{true: "down", false: "up"}[cut]) {
		n.t.Fatal("the link was not switched")
	}
}

// forward carries connections to the database. Silenced, it carries nothing and closes
// nothing, as a network that was cut.
type forward struct {
	listener net.Listener
	to       [2]string
	wait     sync.WaitGroup
	mu       sync.Mutex
	going    *sync.Cond
	silent   bool
	conns    []net.Conn
}

func newForward(l net.Listener, to [2]string) *forward {
	f := &forward{listener: l, to: to}
	f.going = sync.NewCond(&f.mu)
	f.wait.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			f.wait.Go(func() { f.carry(near) })
		}
	})
	return f
}

func (f *forward) carry(near net.Conn) {
	far, err := net.Dial(f.to[0], f.to[1])
	if err != nil {
		near.Close()
		return
	}
	f.mu.Lock()
	f.conns = append(f.conns, near, far)
	f.mu.Unlock()
	var both sync.WaitGroup
	for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
		both.Go(func() {
			_, _ = io.Copy(held{way[1], f}, way[0]) // ends with either
			near.Close()
			far.Close()
		})
	}
	both.Wait()
}

// held is a writer that waits while its forward is silent.
type held struct {
	net.Conn
	of *forward
}

// Write waits for the end of silence.
func (h held) Write(b []byte) (int, error) {
	h.of.mu.Lock()
	for h.of.silent {
		h.of.going.Wait()
	}
	h.of.mu.Unlock()
	return h.Conn.Write(b)
}

func (f *forward) silence(silent bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.silent = silent
	f.going.Broadcast()
}

func (f *forward) close() {
	f.silence(false)
	f.listener.Close()
	f.mu.Lock()
	for _, c := range f.conns {
		c.Close()
	}
	f.mu.Unlock()
	f.wait.Wait()
}

// Two agents in two networks, one cut off from the database but not from its bench: it
// takes the unit off the air by itself before its lease ends, and the other one goes on
// at the first unfinished segment. Each case is stored once.
func TestAgentCutOffFromTheDatabase(t *testing.T) {
	t.Parallel() // it waits more than it works
	n := newNetwork(t)
	b := newTestBed(t, 1, func(c *sim.Config) {
		slow(c)
		c.Listen = n.host
	})
	id := b.submit(longPlan, "T4-0001")["T4-0001"]
	near := b.startChildAt(n.names[0], "near", n.databaseAt(0, b))
	within(t, time.Minute, "the middle of the run", func() bool { return b.stored(id) >= 2 && len(b.lab.Transmitting()) > 0 })
	b.startChildAt(n.names[1], "far", n.databaseAt(1, b))
	n.cut(0, true)
	within(t, time.Minute, "another holder", func() bool { return b.bench("bench-1").Holder == "far" })
	var taken time.Time
	if err := b.pool.QueryRow(t.Context(), `SELECT at FROM bench_takeover WHERE holder = 'far'`).Scan(&taken); err != nil {
		t.Fatal(err)
	}
	last := "" // of the unit before the lease of the first agent had run out
	for _, e := range b.journal.entries(t) {
		if e.Instrument == "T4-0001" && strings.HasPrefix(e.Kind, "transmit") && e.Time.Before(taken) {
			last = e.Kind
		}
	}
	if last != "transmit off" {
		t.Errorf("%q is the last of the unit before the take-over: want the agent that was cut off to mute it by itself", last)
	}
	kept := b.stored(id)
	r := b.await(id)
	if r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 12 || kept == 12 {
		t.Errorf("run %+v, %d cases at the take-over", r, kept)
	}
	if c := b.count(`SELECT count(*) FROM measured_case WHERE run_id = $1`, id); c != 12 {
		t.Errorf("%d cases stored, want 12", c)
	}
	if c := b.count(`SELECT count(*) FROM run_segment WHERE run_id = $1 AND attempts > 1`, id); c > 1 {
		t.Errorf("%d segments were begun more than once, want only the one that was interrupted", c)
	}
	n.cut(0, false)
	within(t, time.Minute, "the agent that was cut off noticing", func() bool { return strings.Contains(near.log.String(), "lease lost") })
	if holder := b.bench("bench-1").Holder; holder != "far" {
		t.Errorf("the bench is held by %q, want far", holder)
	}
	b.mustBeClean()
}
