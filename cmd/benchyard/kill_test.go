package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/instruments/sim"
	"benchyard/jobs/postgres"
)

// killRig is a simulated lab of one bench in a process of its own, so that it
// outlives the agent, and a queue with one run in it.
type killRig struct {
	url     string
	db      *pgxpool.Pool
	journal string
}

func newKillRig(t *testing.T) *killRig {
	t.Helper()
	dir := t.TempDir()
	r := &killRig{url: postgres.TestURL(t), journal: filepath.Join(dir, "journal.jsonl")}
	var err error
	if r.db, err = pgxpool.New(t.Context(), r.url); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.db.Close)

	config := sim.Demo(5)
	config.Benches, config.Units, config.Faults = config.Benches[:1], config.Units[:2], nil
	lab, inventory := filepath.Join(dir, "lab.json"), filepath.Join(dir, "lab.yaml")
	if err := writeJSON(lab, config); err != nil {
		t.Fatal(err)
	}
	simulated := start(t, "sim", "--config", lab, "--speed", "600", "--inventory", inventory, "--journal", r.journal)
	simulated.says("ready", 20*time.Second)
	plan := filepath.Join(dir, "plan.yaml")
	if err := os.WriteFile(plan, demoPlan, 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "lab", "apply", inventory, "--database-url", r.url)
	command(t, exitDone, "campaign", "submit", plan, "--build", "2.5.0", "--units", "T4-0001", "--database-url", r.url)
	return r
}

func (r *killRig) agent(t *testing.T) *process {
	t.Helper()
	return start(t, "agent", "--lease", "3s", "--database-url", r.url)
}

// count returns the one number a query asks for.
func (r *killRig) count(t *testing.T, query string) int {
	t.Helper()
	rows, err := r.db.Query(context.Background(), query)
	if err != nil {
		t.Fatal(err)
	}
	n, err := pgx.CollectExactlyOneRow(rows, pgx.RowTo[int])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// entries reads the journal from line skip on.
func (r *killRig) entries(t *testing.T, skip int) []sim.JournalEntry {
	t.Helper()
	data, err := os.ReadFile(r.journal)
	if err != nil {
		t.Fatal(err)
	}
	var all []sim.JournalEntry
	for line := range strings.Lines(string(data)) {
		var e sim.JournalEntry
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("journal: %v: %q", err, line)
		}
		all = append(all, e)
	}
	return all[skip:]
}

// An agent that dies without a word in the middle of a run leaves a unit on
// the air. The next one must mute it before it does anything else, finish the
// run, and lose or repeat no case.
func TestRunSurvivesTheDeathOfItsAgent(t *testing.T) {
	r := newKillRig(t)
	stored := `SELECT count(*) FROM measured_case`
	seen := r.killOnAir(t, stored)
	before := r.count(t, stored)
	if total := r.count(t, `SELECT cases FROM run`); before >= total {
		t.Fatalf("all %d cases were stored before the agent died; the test says nothing then", total)
	}

	r.agent(t)
	await(t, 120*time.Second, "the run to end", func() bool {
		return r.count(t, `SELECT count(*) FROM run WHERE state = 'done'`) == 1
	})
	if got, want := r.count(t, stored), r.count(t, `SELECT cases FROM run`); got != want {
		t.Errorf("%d cases stored, the plan has %d", got, want)
	}
	if got := r.count(t, `SELECT count(DISTINCT case_key) FROM measured_case`); got != r.count(t, stored) {
		t.Errorf("cases are stored twice: %d distinct", got)
	}
	if n := r.count(t, `SELECT count(*) FROM measured_case WHERE verdict <> 'pass'`); n > 0 {
		t.Errorf("%d cases of a sound unit did not pass", n)
	}
	mutedFirst(t, r.entries(t, seen))
}

// killOnAir kills an agent while its unit transmits and returns how long the
// journal was then. An agent that was killed between two carriers is replaced
// and the next one killed: it has to happen on the air.
func (r *killRig) killOnAir(t *testing.T, stored string) int {
	t.Helper()
	for range 5 {
		agent := r.agent(t)
		enough := r.count(t, stored) + 4
		await(t, 60*time.Second, "some segments", func() bool {
			return r.count(t, stored) >= enough && transmitting(r.entries(t, 0), "T4-0001")
		})
		agent.kill()
		if entries := r.entries(t, 0); transmitting(entries, "T4-0001") {
			return len(entries)
		}
	}
	t.Fatal("the unit was never on the air when its agent died; the test says nothing then")
	return 0
}

// transmitting tells from the journal whether the unit is on the air at its end.
func transmitting(entries []sim.JournalEntry, serial string) bool {
	on := false
	for _, e := range entries {
		if e.Instrument == serial && strings.HasPrefix(e.Kind, "transmit ") {
			on = e.Kind == "transmit on"
		}
	}
	return on
}

// mutedFirst checks that the first thing that happened to any instrument, apart
// from connections, was that the unit left the air.
func mutedFirst(t *testing.T, entries []sim.JournalEntry) {
	t.Helper()
	for _, e := range entries {
		switch e.Kind {
		case "connect", "disconnect":
			continue
		case "transmit off":
			if e.Instrument == "T4-0001" && e.Detail != "already" {
				return
			}
			continue // another unit of the bench, muted to be sure
		}
		t.Fatalf("before the unit was muted: %s %s %s", e.Instrument, e.Kind, e.Detail)
	}
	t.Fatal("the unit was never muted")
}
