package jobs

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if os.Getenv(childVariable) != "" {
		os.Exit(agentProcess())
	}
	goleak.VerifyTestMain(m)
}

// quick are the clocks of the tests: fast enough to wait for, slow enough for a
// machine that is busy with something else.
func quick() Timings {
	return Timings{
		TTL: 3 * time.Second, Renew: 500 * time.Millisecond, Margin: 500 * time.Millisecond, Grace: 200 * time.Millisecond,
		SafeStep: time.Second, SafeRetry: 300 * time.Millisecond, Exchange: 2 * time.Second, Boot: time.Second,
		Poll: 200 * time.Millisecond, Segment: 2 * time.Minute, SoftStop: 20 * time.Second,
	}
}

// powerPlan measures the power of two connectors in two channels: four segments.
const powerPlan = `plan: power
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [B, T], connectors: [1, 2]}
`

// testBed is a simulated lab, its inventory in a database, and agents on it.
type testBed struct {
	t       testing.TB
	pool    *pgxpool.Pool
	lab     *sim.Lab
	journal *journalBuffer
}

// newTestBed starts a lab without faults, cut down to the first benches and to
// the units of RU-T4 in their first two slots.
func newTestBed(t testing.TB, benches int, change func(*sim.Config)) *testBed {
	t.Helper()
	c := sim.Demo(1)
	c.Speed, c.Faults, c.Benches = 100, nil, c.Benches[:benches]
	names := map[string]bool{}
	for _, b := range c.Benches {
		names[b.Name] = true
	}
	c.Units = slices.DeleteFunc(c.Units, func(u sim.UnitConfig) bool { return !names[u.Bench] || u.Slot > 2 })
	if change != nil {
		change(&c)
	}
	b := &testBed{t: t, pool: postgres.Test(t), journal: &journalBuffer{}}
	var err error
	if b.lab, err = sim.Start(context.Background(), c, b.journal); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.lab.Close(); err != nil {
			t.Error(err)
		}
	})
	if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", b.lab.Inventory(), "ann"); err != nil {
		t.Fatal(err)
	}
	return b
}

// start sets an agent to work and stops it when the test ends.
func (b *testBed) start(name string, change func(*AgentOptions)) *Agent {
	b.t.Helper()
	o := AgentOptions{Pool: b.pool, Name: name, Version: "test", Timings: quick(), Logger: testLogger(b.t)}
	if change != nil {
		change(&o)
	}
	a, err := NewAgent(o)
	if err != nil {
		b.t.Fatal(err)
	}
	if err := a.Start(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { b.stop(a) })
	return a
}

func (b *testBed) stop(a *Agent) {
	b.t.Helper()
	if err := a.Stop(context.Background()); err != nil {
		b.t.Error(err)
	}
}

func (b *testBed) submit(plan string, serials ...string) map[string]uuid.UUID {
	b.t.Helper()
	return b.submitWith(Submission{PlanDocument: []byte(plan), Serials: serials})
}

// submitWith fills in what a submission leaves out and returns the runs by serial.
func (b *testBed) submitWith(s Submission) map[string]uuid.UUID {
	b.t.Helper()
	s.PlanFile, s.By = "plan.yaml", "ann"
	if s.Build == "" {
		s.Build = "2.4.0"
	}
	c, err := Submit(b.t.Context(), b.pool, s)
	if err != nil {
		b.t.Fatal(err)
	}
	runs, err := RunsOf(b.t.Context(), b.pool, c.ID)
	if err != nil {
		b.t.Fatal(err)
	}
	ids := map[string]uuid.UUID{}
	for _, r := range runs {
		ids[r.Serial] = r.ID
	}
	return ids
}

// await polls until the run has come to an end and returns it.
func (b *testBed) await(id uuid.UUID) RunSummary {
	b.t.Helper()
	var r RunSummary
	within(b.t, time.Minute, "the end of the run", func() bool {
		r = run(b.t, b.pool, id)
		return r.State.Final()
	})
	return r
}

func (b *testBed) bench(name string) BenchStatus {
	b.t.Helper()
	benches, err := Benches(b.t.Context(), b.pool)
	if err != nil {
		b.t.Fatal(err)
	}
	for _, s := range benches {
		if s.Name == name {
			return s
		}
	}
	b.t.Fatalf("no bench %s", name)
	return BenchStatus{}
}

func (b *testBed) inject(instrument string, fault sim.WireFault) {
	b.t.Helper()
	if err := b.lab.Inject(instrument, fault); err != nil {
		b.t.Fatal(err)
	}
}

// count returns the number that a query gives.
func (b *testBed) count(sql string, args ...any) int {
	b.t.Helper()
	var n int
	if err := b.pool.QueryRow(b.t.Context(), sql, args...).Scan(&n); err != nil {
		b.t.Fatal(err)
	}
	return n
}

// mustBeClean fails the test when the lab suffered: a relay moved under power,
// an input overdriven, a transmitter left on.
func (b *testBed) mustBeClean() {
	b.t.Helper()
	for _, e := range b.journal.entries(b.t) {
		if e.Kind == "hot switch" {
			b.t.Errorf("%s: switched under power: %s", e.Instrument, e.Detail)
		}
	}
	if damaged := b.lab.Damaged(); len(damaged) > 0 {
		b.t.Errorf("damaged: %q", damaged)
	}
	if on := b.lab.Transmitting(); len(on) > 0 {
		b.t.Errorf("still on the air: %q", on)
	}
}

// journalBuffer collects what the simulator writes down.
type journalBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

// Write appends lines.
func (j *journalBuffer) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.Write(p)
}

func (j *journalBuffer) entries(t testing.TB) []sim.JournalEntry {
	t.Helper()
	j.mu.Lock()
	defer j.mu.Unlock()
	var all []sim.JournalEntry
	for d := json.NewDecoder(bytes.NewReader(j.text.Bytes())); d.More(); {
		var e sim.JournalEntry
		if err := d.Decode(&e); err != nil {
			t.Fatal(err)
		}
		all = append(all, e)
	}
	return all
}

// since returns the entries of one instrument and kind after the first n of all.
func (j *journalBuffer) since(t testing.TB, n int, instrument, kind string) []sim.JournalEntry {
	t.Helper()
	var some []sim.JournalEntry
	for _, e := range j.entries(t)[n:] {
		if e.Instrument == instrument && e.Kind == kind {
			some = append(some, e)
		}
	}
	return some
}

// testLogger writes to the log of the test.
func testLogger(t testing.TB) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelInfo}))
}
