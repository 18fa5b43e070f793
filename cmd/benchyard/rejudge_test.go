package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/postgres"
	"benchyard/server/api"

	"github.com/jackc/pgx/v5/pgxpool"
)

const quickPlan = `plan: quick
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [M], connectors: [1]}
  - {clause: 6.6.3, rf_channels: [M], connectors: [1]}
`

// strictLimits is a lab's own file under which nothing has room for its power.
const strictLimits = `limits: strict-lab/1
base: ts-38.141-1/2026-11
cores: [{clause: "6.2", figure: normal, value: 0.001, source: order 12}]
tolerances: [{clause: "6.2", figure: output power, up_to: 7GHz, value: 0, source: order 12}]
`

// measuredRig is a database with one measured unit; no agent is left.
func measuredRig(t *testing.T) (r *killRig, file func(name, text string) string) {
	t.Helper()
	dir := t.TempDir()
	file = func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	r = &killRig{url: postgres.TestURL(t)}
	var err error
	if r.db, err = pgxpool.New(t.Context(), r.url); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.db.Close)
	config := sim.Demo(5)
	config.Speed, config.Benches, config.Units, config.Faults = 5000, config.Benches[:1], config.Units[:1], nil
	lab, err := sim.Start(t.Context(), config, nil)
	if err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "lab", "apply", file("lab.yaml", string(lab.Inventory())), "--database-url", r.url)
	command(t, exitDone, "campaign", "submit", file("plan.yaml", quickPlan), "--build", "2.5.0", "--database-url", r.url)
	agent := r.agent(t)
	await(t, 60*time.Second, "the run to end", func() bool { return r.count(t, `SELECT count(*) FROM run WHERE state = 'done'`) == 1 })
	agent.stop()
	if err := lab.Close(); err != nil {
		t.Fatal(err)
	}
	return r, file
}

// rejudge runs the command with the database of the rig.
func (r *killRig) rejudge(t *testing.T, code int, args ...string) (stdout, stderr string) {
	t.Helper()
	return command(t, code, append(append([]string{"run"}, args...), "--database-url", r.url)...)
}

func TestRejudge(t *testing.T) {
	r, file := measuredRig(t)
	out, progress := r.rejudge(t, exitDone, "rejudge", "--all", "--reason", "to see that nothing moves")
	for _, want := range []string{"1 of 1 runs judged again", "0 changed", "rule of each plan", "to see that nothing moves", "(simulated)"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q does not say %q", out, want)
		}
	}
	if !strings.Contains(progress, "1/1 runs") || !strings.Contains(progress, "done") || strings.Contains(progress, "\x1b") {
		t.Errorf("progress %q; want plain lines to the end", progress)
	}
	strict := file("strict.yaml", strictLimits)
	out, failed := r.rejudge(t, exitFailed, "rejudge", "--campaign", "quick", "--reason", "strict", "--by", "ann", "--limits", strict)
	for _, want := range []string{"asked by ann", "strict-lab/1", "1 with another verdict", "6.2", "fail"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q does not say %q", out, want)
		}
	}
	if !strings.Contains(failed, "1 of 1 runs fail") {
		t.Errorf("%q", failed)
	}
	out, _ = r.rejudge(t, exitFailed, "changes", "--format", "json")
	var report api.JudgementReport
	if err := json.Unmarshal([]byte(out), &report); err != nil || len(report.Changes) != 1 || report.Changes[0].Before.Verdict != "pass" || report.Changes[0].After.Verdict != "fail" {
		t.Errorf("%v: %s", err, out)
	}
	if len(report.ID) != 36 || report.State != "done" || report.Runs != 1 || report.Done != 1 || report.VerdictsChanged != 1 || report.AskedBy != "ann" || len(report.RunList) != 1 {
		t.Errorf("a judgement is printed with its identity, counts and state, got %+v", report.JudgementDetail)
	}
	out, _ = r.rejudge(t, exitFailed, "changes", "--format", "csv")
	if rows, err := csv.NewReader(strings.NewReader(out)).ReadAll(); err != nil || len(rows) != 2 || len(rows[0]) != len(rows[1]) {
		t.Errorf("%v: %s", err, out)
	}
	if out, _ = r.rejudge(t, exitDone, "judgements"); strings.Count(out, "\n") != 3 || !strings.Contains(out, "to see that nothing moves") {
		t.Errorf("judgements: %s", out)
	}
	if n := r.count(t, `SELECT count(*) FROM run WHERE verdict = 'pass'`); n != 1 {
		t.Error("the first verdict was changed")
	}
	r.damaged(t)
	r.badRejudges(t, file)
}

// damaged spoils a trace and puts it back.
func (r *killRig) damaged(t *testing.T) {
	t.Helper()
	exec := func(sql string) {
		if _, err := r.db.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	exec(`UPDATE trace SET points = points + 1`)
	out, says := r.rejudge(t, exitError, "rejudge", "--all", "--reason", "damaged")
	exec(`UPDATE trace SET points = points - 1`)
	if !strings.Contains(out, "not judged: T4-0001") || !strings.Contains(out, "trace 1 (carrier): damaged: ") || !strings.Contains(says, "1 of 1 runs could not be judged again") {
		t.Errorf("%s%s", out, says)
	}
}

// badRejudges are requests that end with code 2 and store nothing.
func (r *killRig) badRejudges(t *testing.T, file func(name, text string) string) {
	t.Helper()
	before := r.count(t, `SELECT count(*) FROM judgement`)
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--all"}, "--reason"},
		{[]string{"--reason", "r"}, "name runs"},
		{[]string{"--reason", "r", "--all", "--campaign", "quick"}, "name runs"},
		{[]string{"--reason", "r", "nonsense"}, `"nonsense" is not the number of a run`},
		{[]string{"--reason", "r", "01a2124f-ce1c-71a0-9751-6469bc555259"}, "01a2124f-ce1c-71a0-9751-6469bc555259 is not known"},
		{[]string{"--reason", "r", "--campaign", "nowhere"}, "nowhere"},
		{[]string{"--reason", "r", "--all", "--limits", "none.yaml"}, "none.yaml"},
		{[]string{"--reason", "r", "--all", "--limits", file("bad.yaml", "limits: a/1\nbase: other\nlimit: 3\n")}, "bad.yaml:3:1"},
		{[]string{"--reason", "r", "--all", "--rule", "lenient"}, "lenient"},
		{[]string{"--reason", "r", "--all", "--rule", "guarded"}, "guard band factor"},
		{[]string{"--reason", "r", "--all", "--guard-band-factor", "1"}, "--rule"},
		{[]string{"--reason", "r", "--all", "--rule", "guarded", "--guard-band-factor", "NaN"}, "NaN"},
		{[]string{"--reason", "r", "--all", "--lab", "0"}, "versions count from 1"},
		{[]string{"--reason", "r", "--all", "--lab", "77"}, "inventory version 77"},
		{[]string{"--reason", "r", "--all", "--lab", "none-lab.yaml"}, "none-lab.yaml"},
		{[]string{"--reason", "r", "--all", "--lab", file("bad-lab.yaml", "lab: x\nunits: 3\n")}, "bad-lab.yaml:2:1"},
		{[]string{"--reason", "r", "--all", "--here", "--no-wait"}, "--no-wait"},
		{[]string{"--resume", "nothing"}, "0 judgements are called"},
		{[]string{"--resume", "x", "--all"}, "--resume"},
		{[]string{"--resume", "x", "--guard-band-factor", "2"}, "--resume"},
	} {
		if _, stderr := r.rejudge(t, exitUsage, append([]string{"rejudge"}, c.args...)...); !strings.Contains(stderr, c.says) {
			t.Errorf("%q: %q does not say %q", c.args, stderr, c.says)
		}
	}
	if after := r.count(t, `SELECT count(*) FROM judgement`); after != before {
		t.Errorf("%d judgements stored by refused requests", after-before)
	}
}

// A process that is killed while it judges stores nothing half; the next one
// goes on.
func TestRejudgeSurvivesAKill(t *testing.T) {
	r, _ := measuredRig(t)
	tx, err := r.db.Begin(t.Context()) // keeps the run from being stored
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `LOCK TABLE judgement_measurement IN SHARE MODE`); err != nil {
		t.Fatal(err)
	}
	process := start(t, "run", "rejudge", "--all", "--reason", "r", "--database-url", r.url)
	await(t, 60*time.Second, "the judging to begin", func() bool {
		return r.count(t, `SELECT count(*) FROM pg_locks WHERE NOT granted AND relation = 'judgement_measurement'::regclass`) > 0
	})
	process.kill()
	if err := tx.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	var id string
	if err := r.db.QueryRow(t.Context(), `SELECT id::text FROM judgement WHERE state = 'active'`).Scan(&id); err != nil {
		t.Fatal(err)
	}
	if n := r.count(t, `SELECT count(*) FROM judgement_measurement`); n != 0 {
		t.Errorf("%d figures of a run that was not finished", n)
	}
	if out, _ := r.rejudge(t, exitDone, "rejudge", "--resume", id[24:]); !strings.Contains(out, "1 of 1 runs judged again") {
		t.Errorf("%s", out)
	}
}
