package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"benchyard/jobs"
	"benchyard/jobs/lab"
)

// benchCommand is for who looks after the benches.
type benchCommand struct {
	List       benchList       `cmd:"" help:"Every bench: what it does, why it is held, its alarm, its golden unit."`
	Hold       benchHold       `cmd:"" help:"Keep a bench from new runs; a run in work goes on to its end."`
	Release    benchRelease    `cmd:"" help:"Let a held bench take runs again."`
	ClearAlarm benchClearAlarm `cmd:"" name:"clear-alarm" help:"Remove an alarm, after looking at the bench."`
	Agents     benchAgents     `cmd:"" help:"The programs that drive benches: version, schema, and why one was refused."`
	Golden     benchGolden     `cmd:"" help:"The figures of the golden unit over time: limits, newest reading, signal, when it is due."`
}

type benchList struct {
	output
}

// benchLine is what --format json prints of a bench.
type benchLine struct {
	Name       string     `json:"name"`
	Activity   string     `json:"activity"`
	Doing      string     `json:"doing"`
	Hold       string     `json:"hold"`
	Alarm      string     `json:"alarm"`
	Waiting    int        `json:"waiting"`
	Serial     string     `json:"serial"`      // of the unit in work
	GoldenUnit string     `json:"golden_unit"` // empty: none
	GoldenDue  *time.Time `json:"golden_due"`  // null: no schedule, or no check yet
	Overdue    bool       `json:"golden_overdue"`
}

// Run lists.
func (c *benchList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	found, err := jobs.Benches(ctx, db.Pool)
	if err != nil {
		return err
	}
	checks := map[string]jobs.GoldenCheck{}
	if inventory, _, err := lab.Load(ctx, db.Pool, 0); err == nil {
		if checks, err = jobs.GoldenChecks(ctx, db.Pool, inventory); err != nil {
			return err
		}
	} else if !errors.Is(err, lab.ErrNoLab) {
		return err
	}
	lines := []benchLine{}
	t := &table{header: []string{"bench", "activity", "unit", "waiting", "golden unit", "held", "alarm"}}
	for _, b := range found {
		check := checks[b.Name]
		line := benchLine{
			Name: b.Name, Activity: string(b.Activity), Doing: b.Doing, Hold: b.Hold, Alarm: b.Alarm, Waiting: b.Queued, Serial: b.Serial,
			GoldenUnit: check.Serial, Overdue: check.Overdue(time.Now()),
		}
		if check.Last != nil {
			line.GoldenDue = check.Due()
		}
		lines = append(lines, line)
		t.add(b.Name, line.Activity, b.Serial, strconv.Itoa(b.Queued), strings.TrimSpace(check.Serial+" "+dueText(check)), b.Hold, b.Alarm)
	}
	t.values = lines
	return c.print(p.stdout, t)
}

// dueText says when the next check by the golden unit is due; empty without a schedule.
func dueText(c jobs.GoldenCheck) string {
	due := c.Due()
	switch {
	case due == nil:
		return ""
	case c.Last == nil:
		return "overdue, never measured"
	case c.Overdue(time.Now()):
		return "overdue since " + clockTime(*due)
	}
	return "due " + clockTime(*due)
}

// benchChange is a bench and who changes it.
type benchChange struct {
	Bench string `arg:"" help:"Name of the bench."`
	By    string `required:"" placeholder:"NAME" help:"Who does it; kept with the event."`
}

// change does something to a bench and says what it came to.
func (c benchChange) change(ctx context.Context, p *program, done string, do func(context.Context, jobs.DB) error) error {
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
	if err := do(ctx, db.Pool); err != nil {
		return refused(err)
	}
	fmt.Fprintf(p.stdout, "%s: %s\n", c.Bench, done)
	return nil
}

type benchHold struct {
	benchChange
	Reason string `required:"" placeholder:"TEXT" help:"Why; it stands on the board."`
}

// Run holds.
func (c *benchHold) Run(ctx context.Context, p *program) error {
	if err := checkName("--reason", c.Reason); err != nil {
		return err
	}
	reason := strings.TrimSpace(c.Reason)
	if reason == "" {
		return &badInput{errors.New("--reason needs a text; it stands on the board")}
	}
	return c.change(ctx, p, "held; a run in work goes on to its end", func(ctx context.Context, db jobs.DB) error {
		return jobs.HoldBench(ctx, db, c.Bench, reason, c.By)
	})
}

type benchRelease struct {
	benchChange
	PathBack bool `name:"path-back" help:"The path that a path task left off its connector is back on it: you have looked. Without it such a bench is not released."`
}

// Run releases.
func (c *benchRelease) Run(ctx context.Context, p *program) error {
	return c.change(ctx, p, "takes runs again", func(ctx context.Context, db jobs.DB) error {
		return jobs.ReleaseBench(ctx, db, c.Bench, jobs.BenchRelease{By: c.By, PathBack: c.PathBack})
	})
}

type benchClearAlarm struct{ benchChange }

// Run clears.
func (c *benchClearAlarm) Run(ctx context.Context, p *program) error {
	return c.change(ctx, p, "alarm cleared; the next run begins with the safe state", func(ctx context.Context, db jobs.DB) error {
		return jobs.ClearAlarm(ctx, db, c.Bench, c.By)
	})
}
