package main

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"

	"benchyard/jobs"
	"benchyard/jobs/scheduler"
	"benchyard/server"
)

// buildCommand is for new builds.
type buildCommand struct {
	Announce buildAnnounce `cmd:"" help:"Say that there is a new build for a type: the smoke plan starts, the full one follows when all units have passed."`
	List     buildList     `cmd:"" help:"Builds that were announced, with their stages."`
	Plan     buildPlan     `cmd:"" help:"Set the plan of a stage for a type; without FILE, list them."`
}

type buildAnnounce struct {
	output
	Build    string `arg:"" help:"Name of the build, as in the inventory."`
	Type     string `required:"" help:"Type of radio unit that it is for."`
	Priority string `default:"normal" enum:"urgent,high,normal,low" help:"Class: urgent, high, normal or low."`
	Key      string `name:"idempotency-key" placeholder:"KEY" help:"The same key with the same announcement within 24 h starts nothing again."`
}

// Run announces.
func (c *buildAnnounce) Run(ctx context.Context, p *program) error {
	a := jobs.Announcement{Build: c.Build, Type: c.Type, By: person(), Priority: jobs.PriorityOf(scheduler.Class(c.Priority))}
	err := checkName("the build", c.Build)
	if err == nil {
		a.Once, err = onceFor("build announce", c.Key, a)
	}
	if err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	made, err := jobs.AnnounceBuild(ctx, db.Pool, a)
	if err != nil {
		return refused(err)
	}
	return c.print(p.stdout, buildTable([]jobs.BuildStatus{made}))
}

// onceFor makes an idempotency key count for what is asked.
func onceFor(operation, key string, asked any) (jobs.Once, error) {
	if key == "" {
		return jobs.Once{}, nil
	}
	if err := checkName("--idempotency-key", key); err != nil {
		return jobs.Once{}, err
	}
	body, err := json.Marshal(asked)
	return jobs.Once{Operation: operation, Key: key, Hash: sha256.Sum256(body)}, err
}

func buildTable(found []jobs.BuildStatus) *table {
	t := &table{header: []string{"build", "type", "announced", "state", "stage", "stands", "campaign", "why"}, values: server.BuildsToWire(found)}
	for _, b := range found {
		for _, s := range b.Stages {
			campaign := "–"
			if s.Campaign != nil {
				campaign = short(*s.Campaign)
			}
			t.add(b.Build, b.Type, clockTime(b.AnnouncedAt), b.State, s.Name, s.State, campaign, s.Reason)
		}
	}
	return t
}

type buildList struct{ output }

// listedBuilds is how many announced builds are listed.
const listedBuilds = 200

// Run lists.
func (c *buildList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	found, err := jobs.Builds(ctx, db.Pool, listedBuilds)
	if err != nil {
		return err
	}
	return c.print(p.stdout, buildTable(found))
}

type buildPlan struct {
	output
	File  string `arg:"" optional:"" help:"Test plan, YAML."`
	Type  string `help:"Type of radio unit."`
	Stage string `enum:",smoke,full" default:"" help:"smoke or full."`
}

// Run sets and lists.
func (c *buildPlan) Run(ctx context.Context, p *program) error {
	if (c.File == "") != (c.Type == "") || (c.File == "") != (c.Stage == "") {
		return &badInput{fmt.Errorf("give FILE, --type and --stage together to set a plan, none of them to list")}
	}
	var body []byte
	if c.File != "" {
		var err error
		if body, err = readFile(ctx, c.File); err != nil {
			return err
		}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	if c.File != "" {
		if err := jobs.SetStagePlan(ctx, db.Pool, c.Type, c.Stage, c.File, body, person()); err != nil {
			return refused(err)
		}
	}
	plans, err := jobs.StagePlans(ctx, db.Pool)
	if err != nil {
		return err
	}
	t := &table{header: []string{"type", "stage", "plan", "set", "by"}, values: server.StagePlansToWire(plans)}
	for _, s := range plans {
		t.add(s.Type, s.Stage, s.Plan, clockTime(s.SetAt), s.SetBy)
	}
	return c.print(p.stdout, t)
}
