package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"benchyard/instruments/document"
	"benchyard/jobs"
	"benchyard/jobs/scheduler"
	"benchyard/server"
)

// scheduleCommand is for campaigns that recur.
type scheduleCommand struct {
	Add    scheduleAdd    `cmd:"" help:"Add a schedule, from flags or a YAML file."`
	List   scheduleList   `cmd:"" help:"Every schedule with its next due time and what became of the last."`
	Show   scheduleShow   `cmd:"" help:"One schedule: next due times, what became of earlier ones."`
	Pause  schedulePause  `cmd:"" help:"Keep a schedule from firing."`
	Resume scheduleResume `cmd:"" help:"Let a paused schedule fire again; what was due meanwhile was not missed."`
	Remove scheduleRemove `cmd:"" help:"End a schedule for good; its history stays."`
	RunNow scheduleRunNow `cmd:"" name:"run-now" help:"Fire a schedule out of turn."`
}

type scheduleAdd struct {
	output
	Name     string         `arg:"" optional:"" help:"Name of the schedule."`
	File     string         `placeholder:"FILE" help:"YAML with the same words as the flags: name, at, zone, plan, build, units, types, benches, priority, overlap, catch_up. The plan is beside it."`
	At       string         `placeholder:"\"30 2 * * 1-5\"" help:"Minute, hour, day of month, month, day of week, as in crontab."`
	Zone     string         `placeholder:"Europe/Berlin" help:"Time zone by name. Default: UTC. A time that its clock leaves out counts once at the first that it shows, one that comes twice the first time."`
	Plan     string         `placeholder:"FILE" help:"Test plan, YAML."`
	Build    string         `help:"Firmware build the units shall run."`
	Units    []string       `sep:"none" placeholder:"SERIAL,…" help:"Serial numbers. Default: every unit that stays in its slot."`
	Types    []string       `name:"type" sep:"none" help:"Only units of these types."`
	Benches  []string       `name:"bench" sep:"none" help:"Only units on these benches."`
	Priority string         `enum:",urgent,high,normal,low" default:"" help:"Class: urgent, high, normal (the default) or low."`
	Overlap  string         `enum:",skip,queue" default:"" help:"While its last campaign runs: skip (the default) or queue one firing."`
	CatchUp  *time.Duration `name:"catch-up" help:"How late it may fire after everything was down, once. Default: 1h."`
}

// scheduleFile is a schedule in YAML.
type scheduleFile struct {
	Name     string
	At       string
	Zone     string
	Plan     string
	Build    string
	Units    []string
	Types    []string
	Benches  []string
	Priority string
	Overlap  string
	CatchUp  *time.Duration
}

// Run adds.
func (c *scheduleAdd) Run(ctx context.Context, p *program) error {
	spec, err := c.spec(ctx)
	if err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	now, err := jobs.Now(ctx, db.Pool)
	if err != nil {
		return err
	}
	made, err := jobs.AddSchedule(ctx, db.Pool, spec, now)
	if err != nil {
		return refused(err)
	}
	if c.Format != "table" {
		return c.print(p.stdout, scheduleTable([]jobs.ScheduleStatus{made}))
	}
	fmt.Fprintf(p.stdout, "schedule %s added; due next:\n", made.Name)
	for _, at := range made.Next(3) {
		fmt.Fprintf(p.stdout, "  %s\n", zoneTime(at))
	}
	fmt.Fprintln(p.stdout, "it fires while benchyard serve or an agent runs")
	return nil
}

// spec reads the file, and flags over it.
func (c *scheduleAdd) spec(ctx context.Context) (jobs.ScheduleSpec, error) {
	var f scheduleFile
	if c.File != "" {
		body, err := readFile(ctx, c.File)
		if err != nil {
			return jobs.ScheduleSpec{}, err
		}
		if problems := document.Decode(c.File, body, &f); len(problems) > 0 {
			return jobs.ScheduleSpec{}, problems
		}
		if f.Plan != "" && !filepath.IsAbs(f.Plan) {
			f.Plan = filepath.Join(filepath.Dir(c.File), f.Plan)
		}
	}
	f.Name, f.At, f.Zone, f.Plan = cmp.Or(c.Name, f.Name), cmp.Or(c.At, f.At), cmp.Or(c.Zone, f.Zone), cmp.Or(c.Plan, f.Plan)
	f.Build, f.Overlap, f.Priority, f.CatchUp = cmp.Or(c.Build, f.Build), cmp.Or(c.Overlap, f.Overlap), cmp.Or(c.Priority, f.Priority), cmp.Or(c.CatchUp, f.CatchUp)
	for _, l := range []struct {
		flag string
		from []string
		into *[]string
	}{{"--units", c.Units, &f.Units}, {"--type", c.Types, &f.Types}, {"--bench", c.Benches, &f.Benches}} {
		words, err := chosen(l.flag, l.from)
		if err != nil {
			return jobs.ScheduleSpec{}, err
		}
		if len(words) > 0 {
			*l.into = words
		}
	}
	for _, needed := range []struct{ what, text string }{{"a name", f.Name}, {"--at", f.At}, {"--plan", f.Plan}, {"--build", f.Build}} {
		if needed.text == "" {
			return jobs.ScheduleSpec{}, &badInput{fmt.Errorf("a schedule needs %s, or its word in --file", needed.what)}
		}
	}
	if err := checkName("the name", f.Name); err != nil {
		return jobs.ScheduleSpec{}, err
	}
	class, err := scheduler.ParseClass(f.Priority)
	if err != nil {
		return jobs.ScheduleSpec{}, &badInput{err}
	}
	body, err := readFile(ctx, f.Plan)
	return jobs.ScheduleSpec{
		Name: f.Name, Timetable: f.At, Zone: f.Zone, PlanFile: f.Plan, PlanDocument: body, Serials: f.Units, Types: f.Types, Benches: f.Benches,
		Build: f.Build, By: person(), Priority: jobs.PriorityOf(class), Overlap: jobs.Overlap(f.Overlap), CatchUp: f.CatchUp,
	}, err
}

// zoneTime prints a time in the zone that it has.
func zoneTime(at time.Time) string { return at.Format("2006-01-02 15:04 -07:00") }

func scheduleTable(found []jobs.ScheduleStatus) *table {
	t := &table{header: []string{"schedule", "due", "zone", "state", "next", "last", "build", "why"}, values: server.SchedulesToWire(found)}
	for _, s := range found {
		next, last, why := "–", "–", ""
		if times := s.Next(1); len(times) > 0 {
			next = zoneTime(times[0])
		}
		if s.Last != nil {
			last, why = s.Last.Outcome, s.Last.Reason
		}
		t.add(s.Name, s.Timetable, s.Zone, s.State, next, last, s.Build, why)
	}
	return t
}

type scheduleList struct{ output }

// Run lists.
func (c *scheduleList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	found, err := jobs.Schedules(ctx, db.Pool)
	if err != nil {
		return err
	}
	return c.print(p.stdout, scheduleTable(found))
}

// findSchedule finds one that is not removed by its name or number.
func findSchedule(ctx context.Context, db jobs.DB, word string) (jobs.ScheduleStatus, error) {
	found, err := jobs.Schedules(ctx, db)
	if err != nil {
		return jobs.ScheduleStatus{}, err
	}
	for _, s := range found {
		if word != "" && (s.Name == word || s.ID.String() == strings.ToLower(word)) {
			return s, nil
		}
	}
	return jobs.ScheduleStatus{}, &badInput{fmt.Errorf("no schedule is called %q; see benchyard schedule list", word)}
}

type scheduleShow struct {
	output
	Schedule string `arg:"" help:"Its name or number."`
}

// Run shows.
func (c *scheduleShow) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	s, err := findSchedule(ctx, db.Pool, c.Schedule)
	if err != nil {
		return err
	}
	detail, err := server.ScheduleDetail(ctx, db.Pool, s.ID)
	if err != nil {
		return err
	}
	t := &table{header: []string{"due", "outcome", "missed", "by", "campaign", "why"}, values: detail}
	for _, f := range detail.History {
		campaign := "–"
		if id, err := uuid.Parse(f.CampaignID); err == nil {
			campaign = short(id)
		}
		t.add(clockTime(f.DueAt), f.Outcome, strconv.Itoa(f.Missed), cmp.Or(f.AskedBy, "the clock"), campaign, f.Reason)
	}
	if c.Format == "table" {
		fmt.Fprintf(p.stdout, "%s: %s %s, %s, plan %s, build %s, overlap %s, catches up within %s\n", s.Name, s.Timetable, s.Zone, s.State, s.Plan, s.Build, s.Overlap, s.CatchUp)
		for _, at := range s.Next(5) {
			fmt.Fprintf(p.stdout, "  due %s\n", zoneTime(at))
		}
		fmt.Fprintln(p.stdout)
	}
	return c.print(p.stdout, t)
}

// scheduleChange is what the commands have in common that name a schedule.
type scheduleChange struct {
	Schedule string `arg:"" help:"Its name or number."`
}

func (c scheduleChange) change(ctx context.Context, p *program, said string, f func(jobs.DB, uuid.UUID) error) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	s, err := findSchedule(ctx, db.Pool, c.Schedule)
	if err != nil {
		return err
	}
	if err := f(db.Pool, s.ID); errors.Is(err, jobs.ErrEnded) {
		return &badInput{fmt.Errorf("schedule %s is %s; nothing was changed", s.Name, s.State)}
	} else if err != nil {
		return refused(err)
	}
	if said != "" {
		fmt.Fprintf(p.stdout, "schedule %s: %s\n", s.Name, said)
	}
	return nil
}

type schedulePause struct{ scheduleChange }

// Run pauses.
func (c *schedulePause) Run(ctx context.Context, p *program) error {
	return c.change(ctx, p, "paused", func(db jobs.DB, id uuid.UUID) error { return jobs.PauseSchedule(ctx, db, id, person()) })
}

type scheduleResume struct{ scheduleChange }

// Run resumes.
func (c *scheduleResume) Run(ctx context.Context, p *program) error {
	return c.change(ctx, p, "active again", func(db jobs.DB, id uuid.UUID) error {
		now, err := jobs.Now(ctx, db)
		if err != nil {
			return err
		}
		return jobs.ResumeSchedule(ctx, db, id, person(), now)
	})
}

type scheduleRemove struct{ scheduleChange }

// Run removes.
func (c *scheduleRemove) Run(ctx context.Context, p *program) error {
	return c.change(ctx, p, "removed; a campaign that it started goes on", func(db jobs.DB, id uuid.UUID) error { return jobs.RemoveSchedule(ctx, db, id, person()) })
}

type scheduleRunNow struct{ scheduleChange }

// Run fires. What did not start a campaign is an error of who asked.
func (c *scheduleRunNow) Run(ctx context.Context, p *program) error {
	return c.change(ctx, p, "", func(db jobs.DB, id uuid.UUID) error {
		f, err := jobs.RunSchedule(ctx, db, id, person())
		if err != nil {
			return err
		}
		if f.Campaign == nil {
			return &badInput{fmt.Errorf("schedule %s is %s: %s", c.Schedule, f.Outcome, f.Reason)}
		}
		fmt.Fprintf(p.stdout, "campaign %s queued\nfollow it: benchyard campaign watch %s\n", f.Campaign, short(*f.Campaign))
		return nil
	})
}
