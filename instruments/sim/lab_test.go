package sim

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"benchyard/instruments/scpi"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// buffer is a journal that tests may read while the lab writes.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

// kinds returns the journal's entries of one instrument as "kind: detail".
func (b *buffer) kinds(t *testing.T, instrument string) []string {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []string
	for _, line := range bytes.Split(bytes.TrimSpace(b.b.Bytes()), []byte("\n")) {
		var e JournalEntry
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatalf("journal line %q: %v", line, err)
		}
		if e.Instrument == instrument {
			out = append(out, e.Kind+": "+e.Detail)
		}
	}
	return out
}

// startLab runs a lab for one test, fast enough that nobody waits. Its units tune
// themselves unless the test wants it otherwise.
func startLab(t *testing.T, change func(*Config)) (*Lab, *buffer) {
	t.Helper()
	c := Demo(1)
	c.Speed, c.Types[0].SelfTuning = 2000, true
	if change != nil {
		change(&c)
	}
	j := &buffer{}
	l, err := Start(context.Background(), c, j)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l, j
}

// client talks to one instrument, one line at a time.
type client struct {
	t    testing.TB
	conn net.Conn
	in   *bufio.Reader
}

func dial(t testing.TB, l *Lab, instrument string) *client {
	t.Helper()
	resource, err := l.Resource(instrument)
	if err != nil {
		t.Fatal(err)
	}
	r, err := scpi.ParseResource(resource)
	if err != nil {
		t.Fatal(err)
	}
	return dialPort(t, r.Port)
}

// dialPort connects to a port of this machine.
func dialPort(t testing.TB, port int) *client {
	t.Helper()
	conn, err := net.Dial("tcp", net.JoinHostPort("127.0.0.1", fmt.Sprint(port)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &client{t, conn, bufio.NewReader(conn)}
}

func (c *client) send(message string) {
	c.t.Helper()
	if _, err := c.conn.Write([]byte(message + "\n")); err != nil {
		c.t.Fatal(err)
	}
}

// ask sends a message and returns its answer.
func (c *client) ask(message string) string {
	c.t.Helper()
	c.send(message)
	return c.read()
}

// write sends bytes as they are.
func (c *client) write(bytes string) {
	c.t.Helper()
	if _, err := c.conn.Write([]byte(bytes)); err != nil {
		c.t.Fatal(err)
	}
}

// silent checks that nothing comes for a while.
func (c *client) silent(while time.Duration) {
	c.t.Helper()
	c.conn.SetReadDeadline(time.Now().Add(while))
	if b, err := c.in.ReadByte(); err == nil {
		c.t.Errorf("%q came, want nothing", b)
	}
}

// until asks again and again until the answer comes.
func (c *client) until(message, want string) {
	c.t.Helper()
	for end := time.Now().Add(10 * time.Second); ; {
		got := c.ask(message)
		if got == want {
			return
		}
		if time.Now().After(end) {
			c.t.Fatalf("%q still answers %q, want %q", message, got, want)
		}
	}
}

func (c *client) read() string {
	c.t.Helper()
	c.conn.SetReadDeadline(time.Now().Add(20 * time.Second))
	answer, err := scpi.ReadResponse(c.in, 1<<20)
	if err != nil {
		c.t.Fatalf("answer: %v", err)
	}
	return string(answer)
}

// want compares an answer.
func (c *client) want(message, want string) {
	c.t.Helper()
	if got := c.ask(message); got != want {
		c.t.Errorf("%q answered %q, want %q", message, got, want)
	}
}

// do sends commands that must leave no error.
func (c *client) do(message string) {
	c.t.Helper()
	if got := c.ask(message + ";:SYST:ERR?"); got != `0,"No error"` {
		c.t.Fatalf("%q: %s", message, got)
	}
}

// refused sends commands that must leave an error of that number.
func (c *client) refused(message string, number int) {
	c.t.Helper()
	c.send(message)
	if got := c.ask("SYST:ERR?"); !strings.HasPrefix(got, fmt.Sprint(number)+",") {
		c.t.Errorf("%q: %s, want error %d", message, got, number)
	}
}

func TestConfigSurvivesJSON(t *testing.T) {
	want := Demo(7)
	data, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	got, err := ParseConfig(data)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Error("configuration changed in JSON and back")
	}
}

func TestConfigRefusals(t *testing.T) {
	for name, spoil := range map[string]func(*Config){
		"unit in a slot twice":    func(c *Config) { c.Units[1].Slot = c.Units[0].Slot },
		"unit of no type":         func(c *Config) { c.Units[0].Type = "RU-X" },
		"unit on no bench":        func(c *Config) { c.Units[0].Bench = "bench-9" },
		"slot that is not there":  func(c *Config) { c.Units[0].Slot = 9 },
		"serial used twice":       func(c *Config) { c.Units[0].Serial = c.Units[1].Serial },
		"build nobody knows":      func(c *Config) { c.Units[0].Build = "0.1" },
		"fault of nobody":         func(c *Config) { c.Faults[0].Serial = "X" },
		"fault of no build":       func(c *Config) { c.Faults[0].Build = "0.1" },
		"negative speed":          func(c *Config) { c.Speed = -1 },
		"ports beyond the last":   func(c *Config) { c.BasePort = 65530 },
		"no address":              func(c *Config) { c.Listen = "bench" },
		"bench named twice":       func(c *Config) { c.Benches[1].Name = c.Benches[0].Name },
		"analyzer of nobody":      func(c *Config) { c.Benches[1].Analyzer = "bench-9" },
		"analyzer of a guest":     func(c *Config) { c.Benches[1].Analyzer, c.Benches[2].Analyzer = "bench-1", "bench-2" },
		"analyzer without matrix": func(c *Config) { c.Benches[1].Analyzer, c.Benches[1].Manual = "bench-1", true },
	} {
		c := Demo(1)
		spoil(&c)
		if l, err := Start(context.Background(), c, nil); err == nil {
			l.Close()
			t.Errorf("%s: started, want an error", name)
		}
	}
}

// A lab comes back on the ports of BasePort, and says so when they are taken.
func TestFixedPorts(t *testing.T) {
	c := Demo(1)
	first := startOnFixedPorts(t, &c)
	if l, err := Start(context.Background(), c, nil); err == nil {
		l.Close()
		t.Error("second lab started on the same ports")
	}
	inventory := string(first.Inventory())
	first.Close()
	again, err := Start(context.Background(), c, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if string(again.Inventory()) != inventory {
		t.Error("inventory changed although seed and ports did not")
	}
}

// startOnFixedPorts looks for 40 free ports in a row below the ephemeral range.
func startOnFixedPorts(t *testing.T, c *Config) *Lab {
	t.Helper()
	var last error
	for c.BasePort = 21000; c.BasePort < 31000; c.BasePort += 200 {
		l, err := Start(context.Background(), *c, nil)
		if err == nil {
			return l
		}
		last = err
	}
	t.Fatalf("no free ports: %v", last)
	return nil
}

// The lab ends with its context, cutting connections in the middle of a wait.
func TestContextEndsTheLab(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	c := Demo(1)
	c.Speed = 0.001
	l, err := Start(ctx, c, nil)
	if err != nil {
		t.Fatal(err)
	}
	a := dial(t, l, "bench-1-analyzer")
	a.do("INIT:CONT OFF")
	a.send("INIT;*OPC?")
	cancel()
	if _, err := a.in.ReadByte(); err == nil {
		t.Error("an answer came although the sweep takes minutes")
	}
	l.Close()
}
