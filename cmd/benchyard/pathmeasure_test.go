package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs"
	"benchyard/jobs/postgres"
	"benchyard/server/api"

	"github.com/jackc/pgx/v5/pgxpool"
)

// measuringRig is a simulated bench with an agent.
func measuringRig(t *testing.T) (*killRig, *sim.Fixture) {
	t.Helper()
	r := &killRig{url: postgres.TestURL(t)}
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
	inventory := filepath.Join(t.TempDir(), "lab.yaml")
	if err := os.WriteFile(inventory, lab.Inventory(), 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "lab", "apply", inventory, "--database-url", r.url)
	r.agent(t) // ends before the lab does
	return r, hands
}

func (r *killRig) path(t *testing.T, code int, args ...string) (stdout, stderr string) {
	t.Helper()
	return command(t, code, append(append([]string{"path"}, args...), "--database-url", r.url)...)
}

// answers has a person join the generator to what is asked for, at connector 2, until the test ends.
func (r *killRig) answers(t *testing.T, hands *sim.Fixture) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	var wait sync.WaitGroup
	wait.Go(func() {
		look := time.NewTicker(20 * time.Millisecond)
		defer look.Stop()
		for ctx.Err() == nil {
			open, err := jobs.OpenPrompts(ctx, r.db)
			if err == nil && len(open) == 1 {
				to := map[bool]string{true: "METer", false: "102"}[strings.Contains(open[0].Text, "to the sensor")]
				if open[0].Kind == jobs.MoveCable {
					to = "NONE"
				}
				if err = hands.Generator(to); err == nil {
					err = jobs.AnswerPrompt(ctx, r.db, open[0].ID, jobs.Reply{By: "bob"})
				}
			}
			if err != nil && ctx.Err() == nil {
				t.Errorf("answering: %v", err)
				return
			}
			select {
			case <-look.C:
			case <-ctx.Done():
			}
		}
	})
	t.Cleanup(func() {
		cancel()
		wait.Wait()
	})
}

// A path from the command line: measured, approved by another, checked, cancelled.
func TestPathMeasuredAtTheCommandLine(t *testing.T) {
	r, hands := measuringRig(t)
	place := []string{"bench-1", "1", "2"}
	asked := append([]string{"measure"}, append(place, "--from", "3.3GHz", "--to", "3.8GHz", "--step", "100MHz", "--by", "bob")...)
	out, _ := r.path(t, exitDone, append(asked, "--format", "json")...)
	var list []api.PathTask
	if err := json.Unmarshal([]byte(out), &list); err != nil || len(list) != 1 || list[0].Frequencies != 6 {
		t.Fatalf("queued %s: %v", out, err)
	}
	id := list[0].ID
	if _, stderr := r.path(t, exitUsage, asked...); !strings.Contains(stderr, "in work already") {
		t.Errorf("the same again: %s", stderr)
	}
	if out, _ := r.path(t, exitDone, "cancel", id[24:], "--by", "ann"); !strings.Contains(out, "cancelled") {
		t.Errorf("cancelled: %s", out)
	}
	if _, stderr := r.path(t, exitUsage, "cancel", id, "--by", "ann"); !strings.Contains(stderr, "already ended") {
		t.Errorf("cancelled twice: %s", stderr)
	}
	if _, stderr := r.path(t, exitError, "tasks", id); !strings.Contains(stderr, "cancelled by ann") {
		t.Errorf("a task that was cancelled: %s", stderr)
	}
	r.answers(t, hands)
	out, stderr := r.path(t, exitDone, append(asked, "--wait")...)
	if !strings.Contains(out, "3.3 GHz") || !strings.Contains(out, "benchyard path approve") || !strings.Contains(stderr, "measure of bench-1 slot 1 connector 2") {
		t.Fatalf("measured:\n%s\n%s", out, stderr)
	}
	_, proposal, _ := strings.Cut(out, "path approve ")
	proposal, _, _ = strings.Cut(proposal, " ")
	if _, stderr := r.path(t, exitUsage, "approve", proposal, "--by", "Bob", "--narrower"); !strings.Contains(stderr, "somebody else") {
		t.Errorf("who measured approves: %s", stderr)
	}
	r.path(t, exitDone, "approve", proposal, "--by", "ann", "--narrower")
	out, _ = r.path(t, exitDone, append(append([]string{"check"}, place...), "--by", "bob", "--wait", "--format", "json")...)
	var check api.PathTaskDetail
	if err := json.Unmarshal([]byte(out), &check); err != nil || check.Passed == nil || !*check.Passed || len(check.Rows) != 5 || check.Rows[0].FrequencyHz != 3.3e9 || len(check.Prompts) != 3 {
		t.Errorf("checked %+v: %v", check, err)
	}
	out, _ = r.path(t, exitDone, "tasks", "--format", "csv")
	for _, text := range []string{"passed", "done", "cancelled", proposal} {
		if !strings.Contains(out, text) {
			t.Errorf("the list lacks %q:\n%s", text, out)
		}
	}
	if out, _ := r.path(t, exitDone, "tasks", "--bench", "bench-2"); strings.Contains(out, "bench-1") {
		t.Errorf("of another bench:\n%s", out)
	}
}

// Misuse is told before anything is queued.
func TestPathMeasureMisuse(t *testing.T) {
	r := newPathRig(t)
	measure := []string{"path", "measure", "bench-2", "1", "1", "--by", "bob"}
	for _, c := range []struct {
		args []string
		says string
	}{
		{measure, "--from"},
		{append(measure, "--from", "1GHz", "--to", "2GHz"), "--points, or how far apart"},
		{append(measure, "--from", "1GHz", "--to", "2GHz", "--points", "5", "--step", "1MHz"), "--points, or how far apart"},
		{append(measure, "--from", "low", "--to", "2GHz", "--points", "5"), "--from"},
		{append(measure, "--from", "2GHz", "--to", "1GHz", "--points", "5"), "want a range"},
		{append(measure, "--from", "1GHz", "--to", "2GHz", "--points", "5", "--level", "loud"), "--level"},
		{append(measure, "--from", "1GHz", "--to", "2GHz", "--points", "5"), "power_meter"},
		{[]string{"path", "measure", "bench-2", "x", "1", "--by", "bob", "--from", "1GHz", "--to", "2GHz", "--points", "5"}, "slot"},
		{[]string{"path", "check", "bench-9", "1", "1", "--by", "bob"}, `bench "bench-9"`},
		{[]string{"path", "check", "bench-2", "1", "1", "--by", "bob", "--at", "often"}, "--at"},
		{[]string{"path", "check", "bench-2", "1", "1", "--by", "b\x1b"}, "cannot be printed"},
		{[]string{"path", "tasks", "--wait"}, "say which"},
		{[]string{"path", "tasks", "ffffff"}, "see benchyard path tasks"},
		{[]string{"path", "tasks", "01a212ce-0120-7239-baaf-e54b24c71ce4"}, "not found"},
		{[]string{"path", "cancel", "01a212ce-0120-7239-baaf-e54b24c71ce4", "--by", "ann"}, "not found"},
		{[]string{"path", "cancel", "ffffff", "--by", " "}, "--by"},
	} {
		if _, stderr := r.run(exitUsage, c.args...); !strings.Contains(stderr, c.says) {
			t.Errorf("%q: %q does not say %q", c.args, stderr, c.says)
		}
	}
}
