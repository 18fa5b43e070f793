package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/calibration"
)

// pathAsked is what measuring and checking a path have in common.
type pathAsked struct {
	output
	Bench     string `arg:"" help:"Bench of the path."`
	Slot      string `arg:"" help:"Its slot."`
	Connector string `arg:"" help:"Its connector of the radio unit, from 1."`
	By        string `required:"" placeholder:"NAME" help:"Who measures; somebody else has to approve a correction."`
	Level     string `default:"0dBm" placeholder:"DBM" help:"Level of the generator. The analyzer must stand it without any loss."`
	Wait      bool   `help:"Follow it to its end."`
}

// pathMeasure has a path measured with the instruments of its bench.
type pathMeasure struct {
	pathAsked
	From   string `required:"" placeholder:"HZ" help:"Lowest frequency, such as 3.3GHz."`
	To     string `required:"" placeholder:"HZ" help:"Highest frequency."`
	Points int    `placeholder:"N" help:"How many frequencies, equally spaced."`
	Step   string `placeholder:"HZ" help:"Or how far they may be apart."`
}

// Run queues a measurement.
func (c *pathMeasure) Run(ctx context.Context, p *program) error {
	var values [3]rf.Hertz
	for i, flag := range []struct{ name, text string }{{"--from", c.From}, {"--to", c.To}, {"--step", c.Step}} {
		if flag.text == "" {
			continue
		}
		f, err := rf.ParseHertz(flag.text)
		if err != nil {
			return &badInput{fmt.Errorf("%s: %w", flag.name, err)}
		}
		values[i] = f
	}
	if (c.Points == 0) == (c.Step == "") {
		return &badInput{errors.New("say how many frequencies with --points, or how far apart with --step")}
	}
	frequencies, err := calibration.Frequencies(values[0], values[1], c.Points, values[2])
	if err != nil {
		return &badInput{err}
	}
	return c.queue(ctx, p, jobs.MeasurePath, frequencies)
}

// pathCheck has a few frequencies of a path held against its correction.
type pathCheck struct {
	pathAsked
	At []string `placeholder:"HZ" help:"Frequencies, rising. Default: a few of the correction in force, its ends among them."`
}

// Run queues a check.
func (c *pathCheck) Run(ctx context.Context, p *program) error {
	var frequencies []rf.Hertz
	for _, text := range c.At {
		f, err := rf.ParseHertz(text)
		if err != nil {
			return &badInput{fmt.Errorf("--at: %w", err)}
		}
		frequencies = append(frequencies, f)
	}
	return c.queue(ctx, p, jobs.CheckPath, frequencies)
}

// queue queues a task and says who is asked for what now.
func (c *pathAsked) queue(ctx context.Context, p *program, kind jobs.PathTaskKind, frequencies []rf.Hertz) error {
	r := jobs.PathRequest{Kind: kind, Frequencies: frequencies, By: c.By}
	var err error
	if r.PathPlace, err = placeFrom([]string{c.Bench, c.Slot, c.Connector}); err != nil {
		return err
	}
	if r.Level, err = rf.ParseDBm(c.Level); err != nil {
		return &badInput{fmt.Errorf("--level: %w", err)}
	}
	if err := checkName("--by", c.By); err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	task, err := jobs.QueuePathTask(ctx, db.Pool, r, time.Now())
	if err != nil {
		return refused(err)
	}
	if !c.Wait {
		if c.Format != "table" {
			return c.print(p.stdout, pathTaskTable([]jobs.PathTask{task}))
		}
		fmt.Fprintf(p.stdout, "path task %s: %d frequencies, about %s of readings; %s is the next thing that the bench does\n"+
			"what to do there: benchyard prompt list; follow it: benchyard path tasks %s --wait\n",
			task.ID, len(task.Frequencies), shortly(task.Left), kind, short(task.ID))
		return nil
	}
	if err := followPathTask(ctx, p, db.Pool, task.ID); err != nil {
		return err
	}
	return showPathTask(ctx, p, db.Pool, c.output, task.ID)
}

// followPathTask tells what becomes of a task until it has ended.
func followPathTask(ctx context.Context, p *program, db jobs.DB, id uuid.UUID) error {
	screen, width := terminal(p.stderr)
	tick := time.NewTicker(terminalPace)
	defer tick.Stop()
	drawn, told := 0, ""
	for last := time.Now(); ; {
		task, err := jobs.PathTaskByID(ctx, db, id)
		switch {
		case err != nil && (ctx.Err() != nil || time.Since(last) > patience || errors.Is(err, jobs.ErrNotFound)):
			return errors.Join(ctx.Err(), refused(err))
		case err == nil:
			last = time.Now()
			if line := pathTaskLine(task); screen {
				drawn = redraw(p.stderr, []string{line}, drawn, width)
			} else if line != told {
				told = line
				fmt.Fprintln(p.stderr, oneLine(line))
			}
			if task.State.Final() {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return &stoppedWatching{context.Cause(ctx)}
		case <-tick.C:
		}
	}
}

// pathTaskLine is where a task stands in one line.
func pathTaskLine(t jobs.PathTask) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s of %s: %s, %d/%d readings", t.Kind, t.PathPlace, t.State, t.Readings, 2*len(t.Frequencies))
	switch {
	case t.State.Final():
	case t.Prompt != nil:
		fmt.Fprintf(&b, ", waits for a person: %s Answer: benchyard prompt answer %s --by NAME", t.Doing, short(*t.Prompt))
	case t.State == jobs.Queued:
		b.WriteString(", the bench begins when it is free")
	default:
		fmt.Fprintf(&b, ", %s, about %s of readings left", t.Doing, shortly(t.Left))
	}
	return b.String()
}
