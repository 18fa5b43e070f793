package main

import (
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

// byHand is a bench without switch matrix, a run that needs two connectors, and
// an agent that works on it.
func byHand(t *testing.T) (*killRig, *sim.Fixture) {
	t.Helper()
	dir := t.TempDir()
	r := &killRig{url: postgres.TestURL(t)}
	var err error
	if r.db, err = pgxpool.New(t.Context(), r.url); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.db.Close)
	config := sim.Demo(5)
	config.Speed, config.Benches, config.Units, config.Faults = 5000, config.Benches[:1], config.Units[:1], nil
	config.Benches[0].Manual = true
	lab, err := sim.Start(t.Context(), config, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if damaged := lab.Damaged(); len(damaged) > 0 {
			t.Errorf("damaged: %q", damaged)
		}
		if err := lab.Close(); err != nil {
			t.Error(err)
		}
	})
	hands, err := lab.Fixture("bench-1")
	if err != nil {
		t.Fatal(err)
	}
	inventory, plan := filepath.Join(dir, "lab.yaml"), filepath.Join(dir, "plan.yaml")
	for file, text := range map[string]string{inventory: string(lab.Inventory()), plan: strings.Replace(quickPlan, "connectors: [1]", "connectors: [1, 2]", 1)} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	command(t, exitDone, "lab", "apply", inventory, "--database-url", r.url)
	command(t, exitDone, "campaign", "submit", plan, "--build", "2.5.0", "--database-url", r.url)
	r.agent(t) // ends before the lab does
	return r, hands
}

// prompt runs a command about prompts with the database of the rig.
func (r *killRig) prompt(t *testing.T, code int, args ...string) (stdout, stderr string) {
	t.Helper()
	return command(t, code, append(append([]string{"prompt"}, args...), "--database-url", r.url)...)
}

func (r *killRig) prompts(t *testing.T, args ...string) (list []api.Prompt) {
	t.Helper()
	out, _ := r.prompt(t, exitDone, append([]string{"list", "--format", "json"}, args...)...)
	if err := json.Unmarshal([]byte(out), &list); err != nil {
		t.Fatal(err)
	}
	return list
}

// move does by hand what a prompt about slot 1 says.
func move(t *testing.T, hands *sim.Fixture, connector int) {
	t.Helper()
	if err := hands.Cable([]string{"", "101", "102"}[connector]); err != nil {
		t.Fatal(err)
	}
	for n := 1; n <= 4; n++ {
		if n == connector {
			continue
		}
		if err := hands.Terminate(100+n, true); err != nil {
			t.Fatal(err)
		}
	}
}

// A run by hand from the command line: what is asked is listed, shown and
// answered, with a name, and the run keeps it.
func TestPromptsAtTheCommandLine(t *testing.T) {
	r, hands := byHand(t)
	for connector := 1; connector <= 2; connector++ {
		await(t, 30*time.Second, "a prompt", func() bool { return len(r.prompts(t)) == 1 })
		p := r.prompts(t)[0]
		want := []string{"", "connector 1 of T4-0001 in slot 1", "connector 2 of T4-0001 in slot 1"}[connector]
		if p.Bench != "bench-1" || p.Serial != "T4-0001" || !strings.Contains(p.Text, want) {
			t.Fatalf("asked %+v, want %q", p, want)
		}
		out, _ := r.prompt(t, exitDone, "show")
		for _, said := range []string{p.Text, "no safety device", "no power at the analyzer", "--by NAME"} {
			if !strings.Contains(out, said) {
				t.Errorf("the prompt is shown without %q:\n%s", said, out)
			}
		}
		move(t, hands, connector)
		end := p.ID[len(p.ID)-12:]
		if out, _ := r.prompt(t, exitDone, "answer", end, "--by", "bob"); !strings.Contains(out, "bench-1: noted") {
			t.Errorf("the answer says %q", out)
		}
		if _, stderr := r.prompt(t, exitUsage, "answer", p.ID, "--by", "eve"); !strings.Contains(stderr, "already ended") {
			t.Errorf("a second answer says %q", stderr)
		}
	}
	await(t, 60*time.Second, "the run to end", func() bool {
		return r.count(t, `SELECT count(*) FROM run WHERE state = 'done' AND verdict = 'pass'`) == 1
	})
	var run string
	if err := r.db.QueryRow(t.Context(), `SELECT id FROM run`).Scan(&run); err != nil {
		t.Fatal(err)
	}
	kept := r.prompts(t, "--run", run)
	if len(kept) != 2 || kept[0].AnsweredBy != "bob" || kept[1].State != "done" {
		t.Errorf("the run keeps %+v", kept)
	}
	if out, _ := r.prompt(t, exitDone, "list", "--run", run, "--format", "table"); strings.Count(out, "bob") != 2 {
		t.Errorf("listed:\n%s", out)
	}
}

// Who cannot do it ends the run as an error with the reason; misuse is told.
func TestPromptThatCannotBeDone(t *testing.T) {
	r, _ := byHand(t)
	await(t, 30*time.Second, "a prompt", func() bool { return len(r.prompts(t)) == 1 })
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"answer"}, "--by"},
		{[]string{"answer", "--by", " "}, "name"},
		{[]string{"answer", "--by", "bob\x1b[2J"}, "cannot be printed"},
		{[]string{"answer", "ffffff", "--by", "bob"}, "prompt list"},
		{[]string{"answer", "01a212ce-0120-7239-baaf-e54b24c71ce4", "--by", "bob"}, "not found"},
		{[]string{"answer", "--by", "bob", "--cannot", "x", "--note", "y"}, "--note"},
		{[]string{"list", "--run", "nonsense"}, "nonsense"},
		{[]string{"list", "--run", "01a212ce-0120-7239-baaf-e54b24c71ce4"}, "not found"},
	} {
		if _, stderr := r.prompt(t, exitUsage, c.args...); !strings.Contains(stderr, c.says) {
			t.Errorf("benchyard prompt %q: %q does not say %q", c.args, stderr, c.says)
		}
	}
	r.prompt(t, exitDone, "answer", "--by", "bob", "--cannot", "the adapter is missing")
	await(t, 30*time.Second, "the run to end", func() bool {
		return r.count(t, `SELECT count(*) FROM run WHERE state = 'error' AND error LIKE '%bob%the adapter is missing%'`) == 1
	})
	if _, stderr := r.prompt(t, exitUsage, "answer", "--by", "bob"); !strings.Contains(stderr, "nobody is asked") {
		t.Errorf("without a prompt: %q", stderr)
	}
}
