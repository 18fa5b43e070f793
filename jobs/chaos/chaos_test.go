//go:build linux && chaos

package chaos

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if os.Getenv(urlVariable) != "" {
		if err := agentProcess(); err != nil {
			fmt.Fprintln(os.Stderr, "chaos:", err)
			os.Exit(3)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// config is how much is disturbed.
type config struct {
	seed    uint64
	runs    int           // at least so many are measured
	waiting int           // so many are kept in the queue meanwhile
	time    time.Duration // after so long nothing is disturbed any more
	every   time.Duration // a fault is drawn, on average
	agents  int
	benches int
	speed   float64
	dir     string // for logs and the report
}

// settle is how long everything may take to end when nothing is disturbed any more, and
// a third of that how long nothing at all may end meanwhile: twice the limit of a segment.
const settle = 6 * time.Minute

// configured reads CHAOS_SEED, CHAOS_RUNS, CHAOS_TIME and CHAOS_DIR. Without CHAOS_TIME
// it is the short form.
func configured(t *testing.T) config {
	t.Helper()
	c := config{seed: 1, runs: 18, waiting: 9, time: 12 * time.Second, every: 700 * time.Millisecond, agents: 3, benches: 3, speed: 50, dir: os.Getenv("CHAOS_DIR")}
	var err error
	if s := os.Getenv("CHAOS_TIME"); s != "" {
		c.runs, c.waiting, c.every = 300, 24, 1500*time.Millisecond
		if c.time, err = time.ParseDuration(s); err != nil {
			t.Fatalf("CHAOS_TIME: %v, want a duration as 5m", err)
		}
	}
	if s := os.Getenv("CHAOS_RUNS"); s != "" {
		if c.runs, err = strconv.Atoi(s); err != nil || c.runs < 1 {
			t.Fatalf("CHAOS_RUNS: %q, want a number of runs", s)
		}
	}
	if s := os.Getenv("CHAOS_SEED"); s != "" {
		if c.seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatalf("CHAOS_SEED: %v, want a whole number", err)
		}
	}
	if c.dir == "" {
		c.dir = t.TempDir()
	}
	c.dir = cmp.Or(c.dir, ".")
	if err := os.MkdirAll(c.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return c
}

// Whatever happens to agents, wires, instruments and the database: every run ends,
// every case is stored once, no instrument serves two agents, and what transmits leaves
// the air within the promised time.
func TestChaos(t *testing.T) {
	c := configured(t)
	y := newYard(t, c)
	y.topUp(true)
	for _, a := range y.agents {
		y.must(a.start())
	}
	defer y.end()
	began := time.Now()
	d := &director{yard: y, random: rand.New(rand.NewPCG(c.seed, 0))}
	d.run(func() bool { return time.Since(began) > c.time })
	calm := time.Now()
	y.awaitEnd(d)
	y.stopAll(d)
	r := y.verify(d)
	r.Queued, r.Seconds, r.Settling = y.queued, calm.Sub(began).Seconds(), time.Since(calm).Seconds()
	text, err := json.MarshalIndent(r, "", "  ")
	y.must(err)
	path := fmt.Sprintf("%s/chaos-%d.json", c.dir, c.seed)
	y.must(os.WriteFile(path, append(text, '\n'), 0o600))
	t.Logf("%s\nreport: %s", text, path)
	for _, v := range r.Violations {
		t.Error(v)
	}
}

// awaitEnd waits for the end of every run while nothing is disturbed.
func (y *yard) awaitEnd(d *director) {
	y.t.Helper()
	began, left := time.Now(), -1
	for last := began; left != 0; time.Sleep(50 * time.Millisecond) {
		d.reviveFallen()
		y.releaseBenches()
		y.topUp(false)
		if n := y.open(); n >= 0 && n != left {
			left, last = n, time.Now()
		}
		if time.Since(last) > settle/3 || time.Since(began) > settle+time.Duration(y.c.runs)*time.Second {
			y.t.Errorf("%d runs do not end although nothing is disturbed any more: %s", left, y.stuck())
			return
		}
	}
}

// stopAll has every agent leave in order.
func (y *yard) stopAll(d *director) {
	y.t.Helper()
	for _, a := range y.agents {
		if p := a.current(); p != nil {
			_ = p.in.Close() // it may have ended by itself
			select {
			case <-p.ended:
			case <-time.After(40 * time.Second):
				y.t.Errorf("%s does not stop", p.name)
			}
		}
	}
}

// end ends what is left of the agents.
func (y *yard) end() {
	for _, a := range y.agents {
		if p := a.current(); p != nil {
			_ = p.cmd.Process.Kill() // it has ended mostly
		}
	}
	y.wait.Wait()
}
