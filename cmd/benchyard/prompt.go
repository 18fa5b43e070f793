package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"benchyard/jobs"
	"benchyard/server"
)

// promptCommand is for persons at the benches.
type promptCommand struct {
	List   promptList   `cmd:"" help:"What persons are asked to do at the benches, or were asked for a run."`
	Show   promptShow   `cmd:"" help:"One prompt with its cautions and what was confirmed before."`
	Answer promptAnswer `cmd:"" help:"Say that it is done, or why it cannot be done."`
}

type promptList struct {
	output
	Of string `name:"run" placeholder:"NUMBER" help:"Every prompt of this run, answered or not. Default: those that are open."`
}

// Run lists.
func (c *promptList) Run(ctx context.Context, p *program) error {
	var run uuid.UUID
	if c.Of != "" {
		var err error
		if run, err = uuid.Parse(c.Of); err != nil {
			return &badInput{fmt.Errorf("%q is not the number of a run; see benchyard run list", c.Of)}
		}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	var found []jobs.PromptStatus
	if c.Of == "" {
		found, err = jobs.OpenPrompts(ctx, db.Pool)
	} else if _, err = jobs.RunByID(ctx, db.Pool, run); err == nil {
		found, err = jobs.PromptsOf(ctx, db.Pool, run)
	}
	if err != nil {
		return refused(err)
	}
	t := &table{header: []string{"prompt", "bench", "unit", "asked", "state", "by", "what to do", "note"}, values: server.PromptsToWire(found)}
	for _, q := range found {
		t.add(short(q.ID), q.Bench, q.Serial, clockTime(q.AskedAt), string(q.State), q.AnsweredBy, q.Text, q.Note)
	}
	return c.print(p.stdout, t)
}

type promptShow struct {
	Prompt string `arg:"" optional:"" help:"Prompt, its number or the end of it. Default: the only one that is open."`
}

// Run shows.
func (c *promptShow) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	q, err := findPrompt(ctx, db.Pool, c.Prompt)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.stdout, "%s at %s, asked %s", q.Kind, q.Bench, clockTime(q.AskedAt))
	if q.Serial != "" {
		fmt.Fprintf(p.stdout, " for %s", q.Serial)
	}
	fmt.Fprintf(p.stdout, ": %s\n\n%s\n\nConfirmed before anybody was asked:\n  %s\n\nCautions:\n  %s\n", q.State, q.Text,
		strings.Join(q.Confirmed, "\n  "), strings.Join(q.Cautions, "\n  "))
	switch {
	case q.State == jobs.PromptOpen:
		fmt.Fprintf(p.stdout, "\nWithout an answer by %s the work ends as an error. Answer with:\n  benchyard prompt answer %s --by NAME\n", clockTime(q.ExpiresAt), short(q.ID))
	case q.AnsweredBy != "":
		fmt.Fprintf(p.stdout, "\n%s by %s %s %s\n", q.State, q.AnsweredBy, endedAt(q), q.Note)
	default:
		fmt.Fprintf(p.stdout, "\n%s %s %s\n", q.State, endedAt(q), q.Note)
	}
	return nil
}

// endedAt is when a prompt ended; one whose bench was lost never says so.
func endedAt(q jobs.PromptStatus) string {
	if q.EndedAt == nil {
		return ""
	}
	return clockTime(*q.EndedAt)
}

type promptAnswer struct {
	Prompt string `arg:"" optional:"" help:"Prompt, its number or the end of it. Default: the only one that is open."`
	By     string `required:"" placeholder:"NAME" help:"Who did it, or cannot; kept with the run."`
	Cannot string `placeholder:"REASON" help:"It cannot be done, and why: the work ends as an error."`
	Note   string `help:"What should be remembered of it."`
}

// Run answers.
func (c *promptAnswer) Run(ctx context.Context, p *program) error {
	for flag, text := range map[string]string{"--by": c.By, "--cannot": c.Cannot, "--note": c.Note} {
		if err := checkName(flag, text); err != nil {
			return err
		}
	}
	if c.Cannot != "" && c.Note != "" {
		return &badInput{errors.New("--cannot says why already; leave --note out")}
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	q, err := findPrompt(ctx, db.Pool, c.Prompt)
	if err != nil {
		return err
	}
	reply := jobs.Reply{By: c.By, Note: c.Note}
	if c.Cannot != "" {
		reply.Cannot, reply.Note = true, c.Cannot
	}
	if err := jobs.AnswerPrompt(ctx, db.Pool, q.ID, reply); err != nil {
		return refused(err)
	}
	if reply.Cannot {
		fmt.Fprintf(p.stdout, "%s: noted; the work ends as an error and the bench goes to its safe state\n", q.Bench)
		return nil
	}
	fmt.Fprintf(p.stdout, "%s: noted at %s; keep clear of the bench, work goes on\n", q.Bench, clockTime(time.Now()))
	return nil
}

// findPrompt finds a prompt by its number, or an open one by the end of it; an
// empty word is the only open one.
func findPrompt(ctx context.Context, db jobs.DB, word string) (jobs.PromptStatus, error) {
	if id, err := uuid.Parse(word); err == nil {
		q, err := jobs.PromptByID(ctx, db, id)
		return q, refused(err)
	}
	open, err := jobs.OpenPrompts(ctx, db)
	if err != nil {
		return jobs.PromptStatus{}, err
	}
	var found []jobs.PromptStatus
	for _, q := range open {
		if word == "" || len(word) >= shortestEnd && strings.HasSuffix(q.ID.String(), strings.ToLower(word)) {
			found = append(found, q)
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case word == "" && len(open) == 0:
		return jobs.PromptStatus{}, &badInput{errors.New("nobody is asked for anything now")}
	case word == "":
		return jobs.PromptStatus{}, &badInput{fmt.Errorf("%d prompts are open; say which, see benchyard prompt list", len(open))}
	}
	return jobs.PromptStatus{}, &badInput{fmt.Errorf("%d open prompts have a number that ends in %q (%d digits at least); see benchyard prompt list", len(found), word, shortestEnd)}
}
