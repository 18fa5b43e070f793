package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs"
	"benchyard/jobs/lab"
	"benchyard/jobs/scheduler"
	"benchyard/server"
)

// campaignCommand queues work and follows it.
type campaignCommand struct {
	Submit campaignSubmit `cmd:"" help:"Queue a plan for units under a build."`
	List   campaignList   `cmd:"" help:"Every campaign, newest first."`
	Show   campaignShow   `cmd:"" help:"What a campaign has come to so far; --format junit for build systems."`
	Watch  campaignWatch  `cmd:"" help:"Follow a campaign to its end, then print its tables."`
	Cancel campaignCancel `cmd:"" help:"Stop a campaign or one run: benches go to safe state."`
}

type campaignSubmit struct {
	output
	File     string   `arg:"" help:"Test plan, YAML."`
	Build    string   `required:"" help:"Firmware build the units shall run."`
	Units    []string `sep:"none" help:"Serial numbers. Default: every unit that stays in its slot." placeholder:"SERIAL,…"`
	Types    []string `name:"type" sep:"none" help:"Only units of these types."`
	Name     string   `help:"Name of the campaign. Default: the title of the plan."`
	Priority string   `default:"normal" enum:"urgent,high,normal,low" help:"Class: urgent, high, normal or low. Urgent makes runs in work give way."`
	Deadline string   `placeholder:"TIME" help:"Until when all of it should be done, such as 2026-12-01T18:00:00+01:00."`
	By       string   `name:"requester" placeholder:"NAME" help:"For whom it is; bench time is shared fairly between requesters. Default: you."`
	Benches  []string `name:"bench" sep:"none" help:"Only units on these benches."`
	Key      string   `name:"idempotency-key" help:"The same key with the same submission within 24 h queues nothing again and names the same campaign." placeholder:"KEY"`
	DryRun   bool     `name:"dry-run" help:"Check everything, queue nothing."`
	Watch    bool     `help:"Follow it to its end."`
}

// Run submits.
func (c *campaignSubmit) Run(ctx context.Context, p *program) error {
	s, err := c.submission(ctx)
	if err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	if c.DryRun {
		return c.preview(ctx, p, db.Pool, s)
	}
	submitted, err := jobs.Submit(ctx, db.Pool, s)
	if err != nil {
		return refused(err)
	}
	if c.Watch {
		return watchCampaign(ctx, p, db.Pool, c.output, submitted.ID)
	}
	if c.Format != "table" {
		return c.print(p.stdout, &table{
			header: []string{"campaign", "units", "cases"},
			rows:   [][]string{{submitted.ID.String(), strconv.Itoa(submitted.Units), strconv.Itoa(submitted.CasesTotal)}},
			values: server.CampaignsToWire([]jobs.CampaignSummary{submitted}, jobs.Forecast{})[0],
		})
	}
	fmt.Fprintf(p.stdout, "campaign %s: %d units, %d cases queued\nfollow it: benchyard campaign watch %s\n",
		submitted.ID, submitted.Units, submitted.CasesTotal, short(submitted.ID))
	return nil
}

// submission reads what was asked for.
func (c *campaignSubmit) submission(ctx context.Context) (jobs.Submission, error) {
	s := jobs.Submission{Name: c.Name, PlanFile: c.File, Build: c.Build, By: cmp.Or(c.By, person()), Priority: jobs.PriorityOf(scheduler.Class(c.Priority))}
	err := errors.Join(checkName("--name", c.Name), checkName("--requester", c.By))
	if err == nil && c.Deadline != "" {
		if s.Deadline, err = time.Parse(time.RFC3339, c.Deadline); err != nil {
			err = &badInput{fmt.Errorf("--deadline %q: want a date and time with its offset, such as 2026-12-01T18:00:00+01:00", c.Deadline)}
		}
	}
	if err == nil {
		s.Serials, err = chosen("--units", c.Units)
	}
	if err == nil {
		s.Types, err = chosen("--type", c.Types)
	}
	if err == nil {
		s.Benches, err = chosen("--bench", c.Benches)
	}
	if err == nil {
		s.PlanDocument, err = readFile(ctx, c.File)
	}
	if err == nil {
		s.Once, err = onceFor("campaign submit", c.Key, s)
	}
	return s, err
}

func (c *campaignSubmit) preview(ctx context.Context, p *program, pool *pgxpool.Pool, s jobs.Submission) error {
	preview, err := jobs.Check(ctx, pool, s)
	if err != nil {
		return refused(err)
	}
	t := &table{header: []string{"unit", "type", "bench", "slot", "cases", "time"}, values: previewToWire(preview)}
	for _, u := range preview.Units {
		bench, slot := u.Bench, strconv.Itoa(u.Slot)
		if bench == "" {
			bench, slot = "shelf", "–"
		}
		t.add(u.Serial, u.Type, bench, slot, strconv.Itoa(u.Cases), shortly(u.Estimate))
	}
	if err := c.print(p.stdout, t); err != nil {
		return err
	}
	if len(preview.Problems) > 0 {
		return &badInput{&jobs.RefusedError{Problems: preview.Problems}}
	}
	return nil
}

type campaignList struct{ output }

// Run lists.
func (c *campaignList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	campaigns, err := jobs.Campaigns(ctx, db.Pool)
	if err != nil {
		return err
	}
	forecast, err := jobs.ETA(ctx, db.Pool)
	if err != nil {
		return err
	}
	t := &table{header: []string{"campaign", "name", "build", "state", "units", "passed", "failed", "errors", "cases", "left"}, values: server.CampaignsToWire(campaigns, forecast)}
	for _, k := range campaigns {
		left := "–"
		if d, known := forecast.Campaigns[k.ID]; known {
			left = shortly(d.P50)
		}
		t.add(short(k.ID), k.Name+simulatedMark(k.Simulated), k.Build, string(k.State), strconv.Itoa(k.Units), strconv.Itoa(k.Passed),
			strconv.Itoa(k.Failed), strconv.Itoa(k.Errors), fmt.Sprintf("%d/%d", k.CasesDone, k.CasesTotal), left)
	}
	return c.print(p.stdout, t)
}

type campaignWatch struct {
	output
	Campaign string `arg:"" optional:"" help:"Campaign, its number or the end of it. Default: the newest."`
}

// Run watches.
func (c *campaignWatch) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	id, err := findCampaign(ctx, db.Pool, c.Campaign)
	if err != nil {
		return err
	}
	return watchCampaign(ctx, p, db.Pool, c.output, id)
}

type campaignShow struct {
	Campaign string `arg:"" optional:"" help:"Campaign, its number or the end of it. Default: the newest."`
	Format   string `enum:"table,json,csv,junit" default:"table" help:"How to print: table, json, csv or junit, the XML that build systems read (common practice, no standard)."`
}

// Run shows.
func (c *campaignShow) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	id, err := findCampaign(ctx, db.Pool, c.Campaign)
	if err != nil {
		return err
	}
	if c.Format != "junit" {
		return tables(ctx, p, db.Pool, output{c.Format}, id)
	}
	campaign, err := jobs.CampaignByID(ctx, db.Pool, id)
	if err != nil {
		return err
	}
	document, err := server.CampaignJUnit(ctx, db.Pool, id)
	if err != nil {
		return err
	}
	if _, err := p.stdout.Write(document); err != nil {
		return err
	}
	return outcome(campaign)
}

type campaignCancel struct {
	Campaign string `arg:"" help:"Campaign or run, its number or the end of it."`
}

// Run cancels.
func (c *campaignCancel) Run(ctx context.Context, p *program) error {
	if c.Campaign == "" { // the newest is good enough to look at, not to cancel
		return &badInput{errors.New("name the campaign or run to cancel; see benchyard campaign list")}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	id, err := uuid.Parse(c.Campaign) // a run is named in full
	if err != nil {
		if id, err = findCampaign(ctx, db.Pool, c.Campaign); err != nil {
			return err
		}
	}
	n, err := jobs.Cancel(ctx, db.Pool, id, person())
	if err != nil {
		return refused(err)
	}
	fmt.Fprintf(p.stdout, "cancelled %d runs; benches that were measuring go to safe state now\n", n)
	return nil
}

// watchCampaign follows a campaign and prints its tables at the end.
func watchCampaign(ctx context.Context, p *program, pool *pgxpool.Pool, o output, id uuid.UUID) error {
	if err := follow(ctx, p, pool, []uuid.UUID{id}); err != nil {
		return err
	}
	return tables(ctx, p, pool, o, id)
}

// findCampaign finds a campaign by its number, the end of it, or its name; an
// empty word is the newest.
func findCampaign(ctx context.Context, pool *pgxpool.Pool, word string) (uuid.UUID, error) {
	campaigns, err := jobs.Campaigns(ctx, pool)
	if err != nil {
		return uuid.Nil, err
	}
	if len(campaigns) == 0 {
		return uuid.Nil, &badInput{errors.New("there is no campaign yet; queue one with benchyard campaign submit")}
	}
	if word == "" {
		return campaigns[0].ID, nil
	}
	var found []uuid.UUID
	for _, k := range campaigns {
		if k.Name == word || len(word) >= shortestEnd && strings.HasSuffix(k.ID.String(), strings.ToLower(word)) {
			found = append(found, k.ID)
		}
	}
	if len(found) != 1 {
		return uuid.Nil, &badInput{fmt.Errorf("%d campaigns are called %q, or have a number that ends so (%d digits at least); see benchyard campaign list", len(found), word, shortestEnd)}
	}
	return found[0], nil
}

// shortestEnd is how much of the end of a number names a campaign: less is
// more likely a slip than a name.
const shortestEnd = 4

// refused turns an error that the person can mend into bad input.
func refused(err error) error {
	var r *jobs.RefusedError
	var reply *jobs.ReplyError
	var path *jobs.PathRefusedError
	var bench *jobs.BenchError
	var task *jobs.PathTaskRefusedError
	if errors.As(err, &r) || errors.As(err, &path) || errors.As(err, &task) || errors.As(err, &reply) || errors.As(err, &bench) || errors.Is(err, lab.ErrNoLab) || errors.Is(err, jobs.ErrNotFound) || errors.Is(err, jobs.ErrEnded) ||
		errors.Is(err, jobs.ErrReused) || errors.Is(err, jobs.ErrUnderWay) {
		return &badInput{err}
	}
	return err
}

// short is the end of a number, enough to tell campaigns apart: the beginning
// is the time and alike for all of a day.
func short(id uuid.UUID) string { return id.String()[24:] }

func simulatedMark(simulated bool) string {
	if simulated {
		return " (simulated)"
	}
	return ""
}

// clockTime prints a time of day with its offset.
func clockTime(t time.Time) string { return t.Local().Format("2006-01-02 15:04:05 -07:00") }
