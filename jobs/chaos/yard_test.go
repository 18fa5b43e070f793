//go:build linux && chaos

package chaos

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
	"benchyard/jobs/scheduler"

	"github.com/jackc/pgx/v5"
)

// yard is a simulated lab behind wires, a database of its own, and agents.
type yard struct {
	t        *testing.T
	c        config
	dir      string // logs of the agents, big evidence
	db       *postgres.Database
	dbDir    string
	lab      *sim.Lab
	journal  journal
	wires    map[string]*wire // by instrument
	benchOf  map[string]string
	agents   []*agent
	looked   time.Time // when benches were last looked at
	released int       // how many were released
	filled   time.Time // when the queue was last looked at
	queued   int

	mu       sync.Mutex
	messages []message
	speaker  map[string]string // by bench: who spoke last
	wait     sync.WaitGroup
}

// journal collects what the simulator writes down.
type journal struct {
	mu   sync.Mutex
	text bytes.Buffer
}

// Write appends lines.
func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.Write(p)
}

func (j *journal) entries(t *testing.T) (all []sim.JournalEntry) {
	t.Helper()
	j.mu.Lock()
	defer j.mu.Unlock()
	for d := json.NewDecoder(bytes.NewReader(j.text.Bytes())); d.More(); {
		var e sim.JournalEntry
		if err := d.Decode(&e); err != nil {
			t.Fatal(err)
		}
		all = append(all, e)
	}
	return all
}

// watcher writes down every row of a run that somebody writes who does not hold the
// bench in that moment. The name of a connection is that of its agent; the test itself
// writes under another one and is not meant.
const watcher = `
CREATE TABLE chaos_stranger (at timestamptz DEFAULT clock_timestamp(), what text, writer text, holder text, run uuid);
CREATE FUNCTION chaos_watch() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE held text;
BEGIN
	IF current_setting('application_name') LIKE 'a%.%' THEN
		SELECT l.holder INTO held FROM run r JOIN bench_lease l ON l.bench = r.bench WHERE r.id = NEW.run_id;
		IF held IS DISTINCT FROM current_setting('application_name') THEN
			INSERT INTO chaos_stranger (what, writer, holder, run) VALUES (TG_TABLE_NAME, current_setting('application_name'), held, NEW.run_id);
		END IF;
	END IF;
	RETURN NEW;
END $$;
CREATE TRIGGER chaos_case BEFORE INSERT OR UPDATE ON measured_case FOR EACH ROW EXECUTE FUNCTION chaos_watch();
CREATE TRIGGER chaos_segment BEFORE UPDATE ON run_segment FOR EACH ROW EXECUTE FUNCTION chaos_watch();
CREATE TRIGGER chaos_transcript BEFORE INSERT OR UPDATE ON transcript FOR EACH ROW EXECUTE FUNCTION chaos_watch();
`

func newYard(t *testing.T, c config) *yard {
	t.Helper()
	y := &yard{t: t, c: c, dir: c.dir, wires: map[string]*wire{}, benchOf: map[string]string{}, speaker: map[string]string{}}
	y.startDatabase()
	for i := range c.agents {
		y.agents = append(y.agents, y.newAgent(i))
	}
	y.startLab()
	return y
}

func (y *yard) must(err error) {
	y.t.Helper()
	if err != nil {
		y.t.Fatal(err)
	}
}

// startDatabase starts a private server. Its folder is open to its account: a
// server does not run as root.
func (y *yard) startDatabase() {
	y.t.Helper()
	dir, err := os.MkdirTemp("", "byc")
	y.must(err)
	y.t.Cleanup(func() { _ = os.RemoveAll(dir) }) // the next start of the machine does it otherwise
	y.must(os.Chmod(dir, 0o755))
	y.dbDir = filepath.Join(dir, "data")
	y.db, err = postgres.Open(y.t.Context(), postgres.Options{DataDir: y.dbDir, Name: "chaos", Logger: slog.New(slog.DiscardHandler)})
	y.must(err)
	y.t.Cleanup(y.db.Close)
	y.must(postgres.Migrate(y.t.Context(), y.db.Pool))
	_, err = y.db.Pool.Exec(y.t.Context(), watcher)
	y.must(err)
}

// startLab starts benches of sound units, and puts a wire before each instrument.
func (y *yard) startLab() {
	y.t.Helper()
	c := sim.Demo(y.c.seed)
	c.Speed, c.Faults, c.Benches = y.c.speed, nil, c.Benches[:y.c.benches]
	c.Units = slices.DeleteFunc(c.Units, func(u sim.UnitConfig) bool {
		return !slices.ContainsFunc(c.Benches, func(b sim.BenchConfig) bool { return b.Name == u.Bench }) || u.Slot > 2
	})
	var err error
	y.lab, err = sim.Start(context.Background(), c, &y.journal)
	y.must(err)
	y.t.Cleanup(func() { y.must(y.lab.Close()) })
	for _, u := range c.Units {
		y.benchOf[u.Serial] = u.Bench
	}
	inventory := string(y.lab.Inventory())
	for _, name := range y.lab.Instruments() {
		if y.benchOf[name] == "" {
			y.benchOf[name] = name[:strings.LastIndex(name, "-")]
		}
	}
	for _, name := range y.lab.Instruments() {
		resource, err := y.lab.Socket(name)
		y.must(err)
		var port int
		_, err = fmt.Sscanf(resource, "TCPIP::127.0.0.1::%d::SOCKET", &port)
		y.must(err)
		w, err := newWire(name, "tcp", fmt.Sprintf("127.0.0.1:%d", port))
		y.must(err)
		w.owner, w.heard = y.ownerOf, y.hear
		w.serve()
		y.t.Cleanup(w.close)
		y.wires[name] = w
		inventory = strings.ReplaceAll(inventory, `"`+resource+`"`, fmt.Sprintf(`"TCPIP::127.0.0.1::%d::SOCKET"`, w.port()))
	}
	_, _, err = lab.Apply(y.t.Context(), y.db.Pool, "lab.yaml", []byte(inventory), "ann")
	y.must(err)
}

func (y *yard) hear(m message) {
	y.mu.Lock()
	defer y.mu.Unlock()
	y.messages = append(y.messages, m)
	y.speaker[y.benchOf[m.instrument]] = m.owner
}

// onAir returns the names of the agents that drive a bench with a unit on the air.
func (y *yard) onAir() (names []string) {
	on := y.lab.Transmitting()
	y.mu.Lock()
	defer y.mu.Unlock()
	for _, serial := range on {
		names = append(names, y.speaker[y.benchOf[serial]])
	}
	return names
}

// wireToDatabase makes an agent's own way to the database and returns it with its URL.
func (y *yard) wireToDatabase(name string) (*wire, string) {
	y.t.Helper()
	c, err := pgx.ParseConfig(y.db.URL)
	y.must(err)
	w, err := newWire(name, "unix", fmt.Sprintf("%s/.s.PGSQL.%d", c.Host, c.Port))
	y.must(err)
	w.serve()
	y.t.Cleanup(w.close)
	u := url.URL{
		Scheme: "postgres", User: url.UserPassword(c.User, c.Password), Host: w.listener.Addr().String(), Path: c.Database,
		RawQuery: "sslmode=disable",
	}
	return w, u.String()
}

// signalDatabase sends the server a signal: SIGINT has it shut down in order, SIGQUIT
// at once, so that it has to recover. It is started again by its keeper.
func (y *yard) signalDatabase(s syscall.Signal) error {
	files, err := filepath.Glob(filepath.Join(y.dbDir, "*", "data", "postmaster.pid"))
	if err != nil || len(files) != 1 {
		return fmt.Errorf("chaos: no server in %s: %q, %w", y.dbDir, files, err)
	}
	text, err := os.ReadFile(files[0])
	if err != nil {
		return err
	}
	line, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(line)
	if err != nil || pid <= 1 {
		return fmt.Errorf("chaos: %s names no process: %w", files[0], err)
	}
	return syscall.Kill(pid, s)
}

// open counts the runs that have not ended, -1 while the database is away.
func (y *yard) open() int {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	n := -1
	if err := y.db.Pool.QueryRow(ctx, `SELECT count(*) FROM run WHERE state IN ('queued', 'active')`).Scan(&n); err != nil {
		return -1
	}
	return n
}

// releaseBenches is the person who looks at benches that flap, every second, and
// releases them. Without one a bench rests the longer the more often it flapped.
func (y *yard) releaseBenches() {
	if time.Since(y.looked) < time.Second {
		return
	}
	y.looked = time.Now()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	rows, err := y.db.Pool.Query(ctx, `
		SELECT name FROM bench b WHERE hold_reason IS NOT NULL
		   OR (SELECT count(*) FROM bench_takeover t WHERE t.bench = b.name AND t.abandoned AND t.at > coalesce(b.trusted_at, '-infinity')) >= $1`,
		scheduler.Flapping)
	if err != nil {
		return // the database is away: later
	}
	benches, err := pgx.CollectRows(rows, pgx.RowTo[string])
	for _, bench := range benches {
		if err == nil {
			err = jobs.ReleaseBench(ctx, y.db.Pool, bench, jobs.BenchRelease{By: "ann"})
		}
		if err == nil {
			y.released++
		}
	}
}

// plan is a short run of a few segments, tried again when something goes wrong.
const plan = `plan: short
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [B, M, T], connectors: [1]}
retries: 2
back_off: {first: 200ms, next: 1s, most: 2s}
`

// topUp keeps the queue from running dry, until there are as many runs as wanted. A
// submission that fails because the database is away is made later.
func (y *yard) topUp(more bool) {
	if time.Since(y.filled) < 500*time.Millisecond {
		return
	}
	y.filled = time.Now()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	for n := y.open(); n >= 0 && n < y.c.waiting && (more || y.queued < y.c.runs); n = y.open() {
		s := jobs.Submission{PlanFile: "plan.yaml", PlanDocument: []byte(plan), Build: "2.4.0", By: "ann"}
		if _, err := jobs.Submit(ctx, y.db.Pool, s); err != nil {
			return
		}
		y.queued += len(y.lab.Config().Units)
	}
}
