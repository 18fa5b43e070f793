package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/results"
)

// runRejudge judges stored traces again.
type runRejudge struct {
	output
	Runs        []string `arg:"" optional:"" name:"run" help:"Runs, their numbers."`
	Campaign    string   `help:"Every ended run of a campaign: its number, the end of it, or its name."`
	All         bool     `help:"Every ended run; simulated ones only where the lab in force is simulated."`
	Resume      string   `help:"Go on with one that was interrupted: its number or the end of it." placeholder:"JUDGEMENT"`
	Reason      string   `help:"Why; stored with the verdicts."`
	By          string   `help:"Who asks. Default: you."`
	Limits      string   `help:"A file of the lab over the limit set of the program. Default: none." placeholder:"FILE"`
	Rule        string   `help:"Decision rule. Default: that of each plan." placeholder:"RULE"`
	GuardBand   float64  `name:"guard-band-factor" help:"r of the guard band w = r U, for the guarded rules."`
	Probability float64  `help:"Required conformance probability, for the rule of that name."`
	Lab         string   `help:"Inventory whose corrections count, a version or a file, as it would be if it were applied now: approved corrections stand in place of its own. Default: that of each campaign." placeholder:"FILE|VERSION"`
	Here        bool     `help:"Judge in this process, even when an agent could. Without any agent this is so anyway."`
	NoWait      bool     `name:"no-wait" help:"Leave it to the agents and return at once."`

	inventory *lab.Lab // of the file of --lab
}

// Run judges again and prints what changed.
func (c *runRejudge) Run(ctx context.Context, p *program) error {
	ask, err := c.request(ctx)
	if err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	alive, err := jobs.AgentAlive(ctx, db.Pool)
	if err != nil {
		return err
	}
	here := c.Here || !alive && !c.NoWait
	id, err := c.begin(ctx, p, db.Pool, ask, !here)
	if err != nil {
		return err
	}
	if c.NoWait && !here && c.Format == "table" {
		fmt.Fprintf(p.stdout, "judgement %s waits for the agents; see it with benchyard run changes %s\n", id, short(id))
		return nil
	}
	if c.NoWait && !here {
		return judgementTables(ctx, p, db.Pool, c.output, id, true)
	}
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	if err := c.watch(ctx, p, db.Pool, blobs, id, here); err != nil {
		return err
	}
	return judgementTables(ctx, p, db.Pool, c.output, id, true)
}

// request reads the flags and files, everything but the runs.
func (c *runRejudge) request(ctx context.Context) (jobs.Rejudge, error) {
	ask := jobs.Rejudge{All: c.All, Reason: c.Reason, By: c.By, Program: version()}
	if ask.By == "" {
		ask.By = person()
	}
	if c.Here && c.NoWait {
		return ask, &badInput{errors.New("--here and --no-wait exclude each other")}
	}
	if c.Resume != "" {
		if len(c.Runs) > 0 || c.Campaign != "" || c.All || c.Limits != "" || c.Rule != "" || c.GuardBand != 0 || c.Probability != 0 || c.Lab != "" {
			return ask, &badInput{errors.New("--resume goes on with what was asked; it takes no runs and no limits, rule or inventory")}
		}
		return ask, nil
	}
	if c.Reason == "" {
		return ask, &badInput{errors.New("say why with --reason; it stands beside the verdicts")}
	}
	if c.Rule != "" || c.GuardBand != 0 || c.Probability != 0 {
		ask.Rule = &conformance.DecisionRule{Name: c.Rule, GuardBandFactor: c.GuardBand, Probability: c.Probability}
		if c.Rule == "" {
			return ask, &badInput{errors.New("--guard-band-factor and --probability belong to a rule; name it with --rule")}
		}
	}
	for _, word := range splitList(c.Runs) {
		id, err := uuid.Parse(word)
		if err != nil {
			return ask, &badInput{fmt.Errorf("%q is not the number of a run; see benchyard run list", word)}
		}
		ask.Runs = append(ask.Runs, id)
	}
	if c.Limits != "" {
		var err error
		if ask.LimitsDocument, err = readFile(ctx, c.Limits); err != nil {
			return ask, err
		}
		ask.LimitsFile = c.Limits
	}
	return ask, c.corrections(ctx, &ask)
}

// corrections reads --lab: a number is a version, everything else a file.
func (c *runRejudge) corrections(ctx context.Context, ask *jobs.Rejudge) (err error) {
	if c.Lab == "" {
		return nil
	}
	if ask.LabVersion, err = strconv.ParseInt(c.Lab, 10, 64); err == nil {
		if ask.LabVersion < 1 {
			return &badInput{fmt.Errorf("--lab %s: versions count from 1", c.Lab)}
		}
		return nil
	}
	ask.LabFile = c.Lab
	c.inventory, ask.LabDocument, err = readLab(ctx, c.Lab)
	return err
}

// begin stores the request, or finds the one to go on with.
func (c *runRejudge) begin(ctx context.Context, p *program, pool *pgxpool.Pool, ask jobs.Rejudge, queue bool) (uuid.UUID, error) {
	if c.Resume != "" {
		return findJudgement(ctx, pool, c.Resume)
	}
	ask.Queue = queue
	var err error
	if c.Campaign != "" {
		if ask.Campaign, err = findCampaign(ctx, pool, c.Campaign); err != nil {
			return uuid.Nil, err
		}
	}
	if c.inventory != nil {
		before, err := inForceOr(ctx, pool)
		if err != nil {
			return uuid.Nil, err
		}
		c.tellApproved(p, before)
	}
	j, err := jobs.AskJudgement(ctx, pool, ask)
	var senseless *jobs.NotJudgeableError
	if errors.As(err, &senseless) {
		return uuid.Nil, &badInput{err}
	}
	return j.ID, refused(err)
}

// tellApproved says which corrections of the file do not count.
func (c *runRejudge) tellApproved(p *program, inForce *lab.Lab) {
	for _, a := range inForce.Corrections {
		if _, ok := c.inventory.PathFor(a.Bench, a.Slot, a.Connector); ok && !a.OfFile() {
			fmt.Fprintf(p.stderr, "note: %s: the correction approved by %s counts, not that of %s\n", placeOf(a), a.ApprovedBy, c.Lab)
		}
	}
}

// watch shows the progress until the judgement has ended; here means that this
// process does the work.
func (c *runRejudge) watch(ctx context.Context, p *program, pool *pgxpool.Pool, blobs *blob.Store, id uuid.UUID, here bool) error {
	working, stop := context.WithCancel(ctx)
	defer stop()
	worked := make(chan error, 1)
	if here {
		go func() { worked <- jobs.WorkJudgement(working, pool, blobs, id, version(), p.log) }()
	}
	err := followJudgement(working, p, pool, id, worked)
	if err != nil {
		stop()
	}
	if here { // what has ended is not interrupted: the work returns by itself
		err = errors.Join(err, <-worked)
	}
	if ctx.Err() != nil {
		err = context.Cause(ctx)
	}
	if err != nil {
		return fmt.Errorf("stopped; what was judged stays, go on with benchyard run rejudge --resume %s: %w", short(id), err)
	}
	return nil
}

// followJudgement shows the progress: one line that redraws itself on a
// terminal, plain lines elsewhere. It puts the outcome of the work back for
// whoever waits for it.
func followJudgement(ctx context.Context, p *program, pool *pgxpool.Pool, id uuid.UUID, worked chan error) error {
	screen, width := terminal(p.stderr)
	pace := linePace
	if screen {
		pace = terminalPace
	}
	tick := time.NewTicker(pace)
	defer tick.Stop()
	began, first, drawn := time.Now(), -1, 0
	for {
		j, err := results.JudgementByID(ctx, pool, id)
		if err != nil {
			return err
		}
		if first < 0 {
			first = j.TracesDone
		}
		line := judgementLine(j, j.TracesDone-first, time.Since(began))
		if screen {
			drawn = redraw(p.stderr, []string{line}, drawn, width)
		} else {
			fmt.Fprintln(p.stderr, line)
		}
		if j.Ended() {
			return nil
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case err := <-worked:
			worked <- err // for watch
			if err != nil {
				return nil
			}
			worked = nil // the next look shows the end
		case <-tick.C:
		}
	}
}

// judgementLine is the whole state in one line; fresh traces took the time given.
func judgementLine(j results.Judgement, fresh int, took time.Duration) string {
	share := 100.0
	if j.Traces > 0 {
		share = 100 * float64(j.TracesDone) / float64(j.Traces)
	}
	eta := "ETA not known yet"
	if j.Ended() {
		eta = j.State
	} else if fresh > 0 && took > 0 {
		eta = "ETA " + shortly(took*time.Duration(j.Traces-j.TracesDone)/time.Duration(fresh))
	}
	pace := ""
	if fresh > 0 && took >= time.Second {
		pace = fmt.Sprintf(", %.0f traces/s", float64(fresh)/took.Seconds())
	}
	return fmt.Sprintf("%d/%d runs, %d/%d traces %3.0f %%, %d runs changed, %d errors%s, %s",
		j.Done+j.Errors, j.Runs, j.TracesDone, j.Traces, share, j.RunsChanged, j.Errors, pace, eta)
}
