//go:build linux && chaos

package chaos

import (
	"context"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"benchyard/instruments/sim"

	"github.com/jackc/pgx/v5"
)

// report is what was done and what came of it. Times are seconds.
type report struct {
	Seed                           uint64
	Agents, Benches, Queued        int
	Seconds, Settling              float64
	Runs                           map[string]int // by state and verdict
	Cases, RepeatedSegments        int
	Faults                         map[string]int
	OnAir                          map[string]int // faults that hit an agent with a unit on the air, by kind
	Takeovers, Abandoned, Restarts int
	Alarms, Released               int // benches in alarm; benches that a person released because they flapped
	Messages                       int // that reached instruments
	LateByNetwork                  int // of them held by a stalled wire beyond a take-over
	AfterWaking                    int // of them the one message of a process stopped between check and system call
	Promised                       map[string]float64
	WorstOffAir                    map[string]float64 // by kind, without the time in which nobody was able to help
	WorstOffAirWall                map[string]float64
	WorstTakeover                  float64
	WorstRun                       float64
	Violations                     []string
}

// takeover is a row of the history of a bench.
type takeover struct {
	Bench     string
	Token     int64
	Holder    string
	Abandoned bool
	At        time.Time
}

// books is all that is compared.
type books struct {
	*yard
	*report
	faults  []fault
	history map[string][]takeover // by bench, in order
	journal []sim.JournalEntry
}

func (y *yard) verify(d *director) *report {
	y.t.Helper()
	b := &books{yard: y, journal: y.journal.entries(y.t), history: map[string][]takeover{}}
	b.report = &report{
		Seed: y.c.seed, Agents: y.c.agents, Benches: y.c.benches, Faults: map[string]int{}, OnAir: map[string]int{}, Runs: map[string]int{},
		Promised: promises(), WorstOffAir: map[string]float64{}, WorstOffAirWall: map[string]float64{},
	}
	for _, f := range d.faults {
		b.faults = append(b.faults, *f)
		b.Faults[f.kind]++
	}
	for _, a := range y.agents {
		b.Restarts += a.count - 1
	}
	b.Released = y.released
	b.readHistory()
	b.checkTables()
	b.checkMessages()
	b.checkJournal()
	b.checkAir()
	return b.report
}

func (b *books) violate(format string, a ...any) {
	const most = 40
	if len(b.Violations) < most {
		b.Violations = append(b.Violations, fmt.Sprintf(format, a...))
	}
}

func (b *books) readHistory() {
	rows, err := b.db.Pool.Query(context.Background(), `SELECT bench, token, holder, abandoned, at FROM bench_takeover ORDER BY bench, token`)
	b.must(err)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByPos[takeover])
	b.must(err)
	for _, k := range all {
		b.history[k.Bench] = append(b.history[k.Bench], k)
		b.Takeovers++
		if k.Abandoned {
			b.Abandoned++
		}
	}
}

// holder returns who held a bench at a time, empty before the first one.
func (b *books) holder(bench string, at time.Time) string {
	h := b.history[bench]
	n := sort.Search(len(h), func(i int) bool { return h[i].At.After(at) })
	if n == 0 {
		return ""
	}
	return h[n-1].Holder
}

// checkMessages: from the moment in which a bench has another holder, nothing that the
// one before says reaches an instrument of it. Two exceptions are counted: what a
// stalled wire held since before, and one message of a process that was stopped
// between its check and its system call.
func (b *books) checkMessages() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.Messages = len(b.messages)
	woken := map[*fault]bool{}
	for _, m := range b.messages {
		bench := b.benchOf[m.instrument]
		if now := b.holder(bench, m.at); now != m.owner {
			if m.held > 0 && b.holder(bench, m.at.Add(-m.held)) == m.owner {
				b.LateByNetwork++
				continue
			}
			if f := b.wokenAt(m); f != nil && !woken[f] {
				woken[f] = true
				b.AfterWaking++
				continue
			}
			b.violate("%s: %s of %s spoke to %s while %s held the bench: %q", stamp(m.at), m.owner, bench, m.instrument, now, m.text)
		}
	}
}

// wokenAt returns the stop of the sender that ended just before its message.
func (b *books) wokenAt(m message) *fault {
	for i, f := range b.faults {
		if after := m.at.Sub(f.to); f.kind == pause && f.name == m.owner && after > -100*time.Millisecond && after < time.Second {
			return &b.faults[i]
		}
	}
	return nil
}

func stamp(t time.Time) string { return t.Format("15:04:05.000") }

// checkTables: every run has ended, as an error only with a reason; every case is there
// once per attempt, with one that counts; nobody wrote who did not hold the bench.
func (b *books) checkTables() {
	b.Cases = b.number(`SELECT count(*) FROM measured_case`)
	b.RepeatedSegments = b.number(`SELECT count(*) FROM run_segment WHERE attempts > 1`)
	b.Alarms = b.number(`SELECT count(*) FROM bench_alarm`)
	b.WorstRun = float64(b.number(`SELECT coalesce(max(extract(epoch FROM finished_at - started_at)), 0)::int FROM run`))
	rows, err := b.db.Pool.Query(context.Background(), `SELECT state || ' ' || coalesce(verdict, ''), count(*)::int FROM run GROUP BY 1`)
	b.must(err)
	var what string
	var n int
	_, err = pgx.ForEachRow(rows, []any{&what, &n}, func() error { b.Runs[what] = n; return nil })
	b.must(err)
	for rule, query := range map[string]string{
		"runs that did not end":                            `SELECT count(*) FROM run WHERE state NOT IN ('done', 'error')`,
		"runs with an error without a reason":              `SELECT count(*) FROM run WHERE state = 'error' AND coalesce(error, '') = ''`,
		"runs without all of their cases":                  `SELECT count(*) FROM run r WHERE r.cases <> (SELECT count(DISTINCT case_key) FROM measured_case c WHERE c.run_id = r.id)`,
		"cases stored twice as one attempt":                `SELECT count(*) FROM (SELECT 1 FROM measured_case GROUP BY run_id, case_key, attempt HAVING count(*) > 1) x`,
		"cases of which not exactly one attempt counts":    `SELECT count(*) FROM (SELECT 1 FROM measured_case GROUP BY run_id, case_key HAVING count(*) FILTER (WHERE last) <> 1) x`,
		"cases of sound units that failed":                 `SELECT count(*) FROM measured_case WHERE verdict IN ('fail', 'conditional fail')`,
		"segments left open":                               `SELECT count(*) FROM run_segment WHERE state IN ('pending', 'running')`,
		"rows written by an agent that held no such bench": `SELECT count(*) FROM chaos_stranger`,
		"benches still held by an agent after it left":     `SELECT count(*) FROM bench_lease WHERE expires_at > clock_timestamp() AND holder <> ''`,
	} {
		if n := b.number(query); n > 0 {
			b.violate("%d %s", n, rule)
		}
	}
}

func (b *books) number(query string) (n int) {
	b.must(b.db.Pool.QueryRow(context.Background(), query).Scan(&n))
	return n
}

// stuck tells what the board says of runs that have not ended.
func (y *yard) stuck() string {
	rows, err := y.db.Pool.Query(context.Background(), `
		SELECT format('%s on %s %s %s, alarm %s, hold %s', r.serial, r.bench, r.state, coalesce(r.blocked, r.paused), b.alarm, b.hold_reason)
		FROM run r LEFT JOIN bench b ON b.name = r.bench WHERE r.state IN ('queued', 'active') LIMIT 8`)
	if err != nil {
		return err.Error()
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return fmt.Sprint(strings.Join(lines, "; "), err)
}

// checkJournal: nothing was switched under power, nothing damaged, nothing is on the
// air at the end.
func (b *books) checkJournal() {
	for _, e := range b.journal {
		if e.Kind == "hot switch" || e.Kind == "damage" {
			b.violate("%s: %s of %s: %s", stamp(e.Time), e.Kind, e.Instrument, e.Detail)
		}
	}
	if on := b.lab.Transmitting(); len(on) > 0 {
		b.violate("still on the air at the end: %q", on)
	}
}

// promises are how long after a fault a unit may stay on the air. An agent that is gone
// leaves it to the next one: the lease runs out, somebody looks, waits the grace, and
// mutes or, where the unit does not answer, cuts DC. One that only lost the database
// does it by itself, before its lease ends.
func promises() map[string]float64 {
	t := timings()
	gone := (t.TTL + t.Poll + t.Grace + 2*t.SafeStep).Seconds()
	alone := (t.TTL - t.Margin).Seconds()
	return map[string]float64{kill: gone, pause: gone, fell: gone, wayCut: alone, wayStalled: alone, restart: alone}
}

// checkAir holds the time at which what transmitted left the air against the promises.
func (b *books) checkAir() {
	for _, f := range b.faults {
		for bench := range b.history {
			holder := b.holder(bench, f.from)
			if f.kind != restart && (f.name == "" || holder != f.name) || b.Promised[f.kind] == 0 {
				continue
			}
			if f.kind == restart && b.hit(holder, f.from) {
				continue // the fault that hit it before counts
			}
			b.checkBench(f, bench)
		}
	}
}

// hit reports whether the process suffers from a fault at a time.
func (b *books) hit(name string, at time.Time) bool {
	return slices.ContainsFunc(b.faults, func(f fault) bool { return f.disables() && f.name == name && !f.from.After(at) && f.to.After(at) })
}

// checkBench looks at the units of a bench whose agent was hit.
func (b *books) checkBench(f fault, bench string) {
	t := timings()
	gone := f.kind == kill || f.kind == pause || f.kind == fell
	if !gone && f.to.Sub(f.from) < t.TTL {
		return // its lease need not have ended
	}
	if gone {
		b.checkTakeover(f, bench)
	}
	for unit, at := range b.benchOf {
		off, on := b.offAfter(unit, f.from)
		if at != bench || !on {
			continue
		}
		b.OnAir[f.kind]++
		wall := off.Sub(f.from)
		took := wall
		if gone {
			took = b.able(f.from, off)
		}
		b.WorstOffAir[f.kind] = max(b.WorstOffAir[f.kind], took.Seconds())
		b.WorstOffAirWall[f.kind] = max(b.WorstOffAirWall[f.kind], wall.Seconds())
		if took.Seconds() > b.Promised[f.kind] {
			b.violate("%s: %s (%s): %s on the air for %s, %s of it with somebody able to help, promised %.1f s",
				stamp(f.from), f.kind, f.name, unit, wall, took, b.Promised[f.kind])
		}
	}
}

// offAfter returns when a unit that was on the air at a time left it.
func (b *books) offAfter(unit string, at time.Time) (off time.Time, on bool) {
	for _, e := range b.journal {
		if e.Instrument != unit || !strings.HasPrefix(e.Kind, "transmit ") {
			continue
		}
		if e.Time.After(at) {
			if e.Kind == "transmit off" || !on {
				return e.Time, on
			}
			continue
		}
		on = e.Kind == "transmit on"
	}
	return time.Now(), on
}

func (b *books) checkTakeover(f fault, bench string) {
	for _, k := range b.history[bench] {
		if k.At.After(f.from) {
			b.WorstTakeover = max(b.WorstTakeover, b.able(f.from, k.At).Seconds())
			return
		}
	}
}

// able returns how much of a time somebody was able to take a bench over: the database
// answered, and there was an agent that nothing had happened to.
func (b *books) able(from, to time.Time) time.Duration {
	edges := []time.Time{from, to}
	for _, f := range b.faults {
		for _, e := range []time.Time{f.from, f.to} {
			if e.After(from) && e.Before(to) {
				edges = append(edges, e)
			}
		}
	}
	slices.SortFunc(edges, time.Time.Compare)
	var sum time.Duration
	for i := 1; i < len(edges); i++ {
		if b.ableAt(edges[i-1].Add(edges[i].Sub(edges[i-1]) / 2)) {
			sum += edges[i].Sub(edges[i-1])
		}
	}
	return sum
}

func (b *books) ableAt(at time.Time) bool {
	down := map[int]bool{}
	for _, f := range b.faults {
		if !f.from.After(at) && f.to.After(at) {
			if f.kind == restart {
				return false
			}
			if f.disables() {
				down[f.agent] = true
			}
		}
	}
	return len(down) < b.c.agents
}
