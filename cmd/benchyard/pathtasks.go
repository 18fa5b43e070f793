package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/server"
)

// pathTasks lists tasks, or shows one.
type pathTasks struct {
	output
	Task  string `arg:"" optional:"" help:"One task, its number or the end of it: what it measured."`
	Bench string `help:"Only those of one bench."`
	Wait  bool   `help:"Follow the task to its end first."`
}

// shownPathTasks bounds a list of tasks.
const shownPathTasks = 200

// Run lists or shows.
func (c *pathTasks) Run(ctx context.Context, p *program) error {
	if c.Wait && c.Task == "" {
		return &badInput{errors.New("--wait follows one task; say which")}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	if c.Task == "" {
		found, err := jobs.PathTasks(ctx, db.Pool, c.Bench, shownPathTasks)
		if err != nil {
			return err
		}
		return c.print(p.stdout, pathTaskTable(found))
	}
	id, err := findPathTask(ctx, db.Pool, c.Task)
	if err != nil {
		return err
	}
	if c.Wait {
		if err := followPathTask(ctx, p, db.Pool, id); err != nil {
			return err
		}
	}
	return showPathTask(ctx, p, db.Pool, c.output, id)
}

// pathTaskTable is a list of tasks.
func pathTaskTable(found []jobs.PathTask) *table {
	t := &table{header: []string{"task", "kind", "bench", "slot", "connector", "range", "state", "readings", "now", "by", "asked", "correction"}, values: server.PathTasksToWire(found)}
	for _, k := range found {
		now, state, proposal := k.Doing, string(k.State), ""
		switch {
		case k.Error != "":
			now = firstLine(k.Error)
		case k.Passed != nil && *k.Passed:
			state = "passed"
		case k.Passed != nil:
			state = "FAILED"
		case k.Proposal != nil:
			proposal = short(*k.Proposal)
		}
		n := len(k.Frequencies)
		t.add(short(k.ID), string(k.Kind), k.Bench, strconv.Itoa(k.Slot), strconv.Itoa(k.Connector), rangeText(float64(k.Frequencies[0]), float64(k.Frequencies[n-1])),
			state, fmt.Sprintf("%d/%d", k.Readings, 2*n), now, k.By, clockTime(k.AskedAt), proposal)
	}
	return t
}

// showPathTask prints what a task measured, and ends with what became of it: a
// check that failed is a failedUnits error, one that did not come to its end an error.
func showPathTask(ctx context.Context, p *program, db jobs.DB, o output, id uuid.UUID) error {
	task, err := jobs.PathTaskByID(ctx, db, id)
	if err != nil {
		return refused(err)
	}
	prompts, err := jobs.PromptsOfPathTask(ctx, db, id)
	if err != nil {
		return err
	}
	wire := server.PathTaskDetailToWire(task, prompts)
	t := &table{header: []string{"frequency_hz", "loss_db", "uncertainty_db", "in_force_db", "difference_db"}, values: wire}
	if o.Format == "table" {
		t.header = []string{"frequency", "loss dB", "U dB (k = 2)", "in force dB", "difference dB"}
	}
	for _, r := range wire.Rows {
		f := strconv.FormatFloat(r.FrequencyHz, 'f', -1, 64)
		if o.Format == "table" {
			f = rf.Hertz(r.FrequencyHz).String()
		}
		before, difference := "", ""
		if r.DifferenceDB != nil {
			before, difference = fmt.Sprintf("%.3f", *r.InForceDB), withSign(*r.DifferenceDB, 3)
		}
		t.add(f, fmt.Sprintf("%.4f", r.LossDB), fmt.Sprintf("%.4f", r.UncertaintyDB), before, difference)
	}
	if o.Format == "table" {
		fmt.Fprintln(p.stdout, visible(pathTaskLine(task)))
	}
	if len(wire.Rows) > 0 || o.Format != "table" {
		if err := o.print(p.stdout, t); err != nil {
			return err
		}
	}
	return pathTaskOutcome(p, o, task)
}

// pathTaskOutcome says what follows from a task, and turns it into an exit code.
func pathTaskOutcome(p *program, o output, t jobs.PathTask) error {
	switch {
	case t.State == jobs.Error:
		return fmt.Errorf("path task %s: %s", short(t.ID), t.Error)
	case t.State == jobs.Cancelled:
		return fmt.Errorf("path task %s was cancelled by %s", short(t.ID), t.EndedBy)
	case t.Passed != nil && !*t.Passed:
		return &failedUnits{fmt.Sprintf("%s is further off its correction than %s; the bench is held", t.PathPlace, t.Result.Limit)}
	case t.Proposal != nil && o.Format == "table":
		fmt.Fprintf(p.stdout, "proposed; somebody else than %s approves it: benchyard path approve %s --by NAME\n", t.By, short(*t.Proposal))
	}
	return nil
}

// findPathTask finds a task by its number or the end of it.
func findPathTask(ctx context.Context, db jobs.DB, word string) (uuid.UUID, error) {
	if id, err := uuid.Parse(word); err == nil {
		return id, nil
	}
	all, err := jobs.PathTasks(ctx, db, "", 0)
	if err != nil {
		return uuid.Nil, err
	}
	var found []uuid.UUID
	for _, t := range all {
		if len(word) >= shortestEnd && strings.HasSuffix(t.ID.String(), strings.ToLower(word)) {
			found = append(found, t.ID)
		}
	}
	if len(found) != 1 {
		return uuid.Nil, &badInput{fmt.Errorf("%d path tasks have a number that ends in %q (%d digits at least); see benchyard path tasks", len(found), word, shortestEnd)}
	}
	return found[0], nil
}

// pathCancel ends a task.
type pathCancel struct {
	Task string `arg:"" help:"Task, its number or the end of it."`
	By   string `required:"" placeholder:"NAME" help:"Who ends it; kept with it."`
}

// Run cancels.
func (c *pathCancel) Run(ctx context.Context, p *program) error {
	if err := checkName("--by", c.By); err != nil {
		return err
	}
	if strings.TrimSpace(c.By) == "" {
		return &badInput{errors.New("--by needs a name")}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	id, err := findPathTask(ctx, db.Pool, c.Task)
	if err != nil {
		return err
	}
	if err := jobs.CancelPathTask(ctx, db.Pool, id, c.By); err != nil {
		return refused(err)
	}
	fmt.Fprintf(p.stdout, "path task %s: cancelled; its bench goes to the safe state, and is held when the path may be off its connector\n", short(id))
	return nil
}
