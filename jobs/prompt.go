package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// PromptKind is what sort of thing a person is asked to do.
type PromptKind string

// The kinds of prompt, as stored.
const (
	MountUnit          PromptKind = "mount unit" // DC is off, too
	MoveCable          PromptKind = "move cable"
	ConfirmTermination PromptKind = "confirm termination"
	ConnectGenerator   PromptKind = "connect generator"
)

// PromptState is what became of a prompt.
type PromptState string

// The states of a prompt, as stored. All but the first are final.
const (
	PromptOpen      PromptState = "open"
	PromptDone      PromptState = "done"
	PromptCannot    PromptState = "cannot" // the person says why in the note
	PromptTimedOut  PromptState = "timed out"
	PromptWithdrawn PromptState = "withdrawn" // nobody waits for it any more; the note says why
)

// Prompt is something that a person shall do at the bench before work goes on.
type Prompt struct {
	Kind     PromptKind
	Run      uuid.UUID     // for which it is asked; uuid.Nil: for none
	PathTask uuid.UUID     // for which it is asked; uuid.Nil: for none
	Text     string        // what to do, in full sentences; required
	Cautions []string      // beside those of every prompt and of the kind
	Timeout  time.Duration // for an answer; zero: Timings.Answer
}

// Answer is what a person said to a prompt that was done.
type Answer struct {
	ID   uuid.UUID // of the prompt
	By   string    // name
	Note string    // may be empty
	At   time.Time // by the clock of the database
}

// PromptError says that what a person was asked to do was not done: nobody
// answered, or somebody cannot. It ends a run as an error and is not tried again.
type PromptError struct {
	Prompt Prompt
	State  PromptState // PromptTimedOut or PromptCannot
	Answer Answer      // of PromptCannot
}

// Error says who was asked for what, and what to do next.
func (e *PromptError) Error() string {
	if e.State == PromptCannot {
		return fmt.Sprintf("jobs: %s, asked at the bench to %s, cannot: %s", e.Answer.By, e.Prompt.Kind, e.Answer.Note)
	}
	again := "repeat the run"
	if e.Prompt.Run == uuid.Nil {
		again = "start it again"
	}
	return fmt.Sprintf("jobs: nobody answered within %s when asked to %s; %s when somebody is at the bench", e.Prompt.Timeout, e.Prompt.Kind, again)
}

// ask has a person do something at the bench and waits for the answer. It may be
// called from any work inside a tenure, from the goroutine that drives the rig.
// Before anybody is asked, transmitters and generator are off, the analyzer is
// protected and no power is seen, all confirmed; to mount a unit DC is off as
// well. After it nothing transmits: the caller brings up again what it needs.
//
// The time of waiting does not count against Timings.Segment. The error is that
// of ctx, errStopping, a benchFailure when the bench is not confirmed quiet, or
// one with a *PromptError when the thing was not done.
func (t *tenure) ask(ctx context.Context, p Prompt) (Answer, error) {
	if p.Timeout == 0 {
		p.Timeout = t.agent.Timings.Answer
	}
	if err := t.interrupted(ctx); err != nil {
		return Answer{}, err
	}
	report := t.rig.quieten(ctx, p.Kind == MountUnit)
	if err := report.Err(); err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return Answer{}, benchFailure{fmt.Errorf("jobs: nobody is asked to %s: %w", p.Kind, err)}
	}
	needs := t.needs
	if err := t.rig.lend(ctx); err != nil { // a person takes longer than another bench can wait
		return Answer{}, err
	}
	defer t.standStill()()
	id, err := t.post(ctx, p, report)
	if err != nil {
		return Answer{}, err
	}
	run := idOrNull(p.Run)
	t.setActivity(ctx, Waiting, p.Text, run)
	answer, err := t.await(ctx, id, p)
	if err == nil {
		t.setActivity(ctx, BringUp, fmt.Sprintf("going on: %s did what was asked", answer.By), run)
		err = t.gather(ctx, p.Run, needs...)
	}
	return answer, err
}

// await waits until the prompt is answered, times out, or is of no use any more.
func (t *tenure) await(ctx context.Context, id uuid.UUID, p Prompt) (Answer, error) {
	limit := time.NewTimer(p.Timeout)
	defer limit.Stop()
	poll := time.NewTicker(t.agent.Timings.Poll)
	defer poll.Stop()
	for {
		state, answer, err := promptAnswer(ctx, t.agent.Pool, id)
		switch {
		case err != nil && ctx.Err() == nil: // work goes on as long as the lease does
			t.log.WarnContext(ctx, "looking for the answer to a prompt", "prompt", id, "error", err)
		case state == PromptDone:
			return answer, nil
		case err == nil && state == PromptWithdrawn:
			return Answer{}, fmt.Errorf("jobs: the prompt to %s was withdrawn: %s", p.Kind, answer.Note)
		case err == nil && state != PromptOpen:
			return Answer{}, benchFailure{&PromptError{p, state, answer}}
		}
		select {
		case <-t.answered:
		case <-poll.C:
		case <-ctx.Done():
			t.endPrompt(ctx, id, PromptWithdrawn, context.Cause(ctx).Error())
			return Answer{}, context.Cause(ctx)
		case <-t.parting:
			why := errStopping
			if t.ctx.Err() != nil { // it parts because the lease is lost
				why = context.Cause(t.ctx)
			}
			t.endPrompt(ctx, id, PromptWithdrawn, why.Error())
			return Answer{}, why
		case <-limit.C:
			if t.endPrompt(ctx, id, PromptTimedOut, "") {
				return Answer{}, benchFailure{&PromptError{p, PromptTimedOut, Answer{ID: id}}}
			}
			// Somebody was faster, or the database is away: the next look tells.
			limit.Reset(t.agent.Timings.Poll)
		}
	}
}

// cautions are what is shown with a prompt. Where they are no words of this
// program they follow common practice of radio laboratories.
func (p Prompt) cautions() []string {
	all := []string{
		"This program is no safety device. The rules of your site, its interlocks and your own check come first.",
		"Loads and pads may burn you long after the power went off: wait before you touch them.",
		"Look at both connectors, clean them, and tighten with the torque that their data sheet gives.",
	}
	switch p.Kind {
	case MountUnit:
		all = append(all, "DC is off: look at the supply yourself before you touch its leads. Earth the unit first, wear a wrist strap, and do not lift heavy units alone.")
	case MoveCable, ConfirmTermination:
		all = append(all, "No connector may stay open or lead to an antenna: each may carry its rated power as soon as you have answered. A load must be rated for average power, peak power and frequency.")
	case ConnectGenerator:
		all = append(all, "Power that goes backwards into a generator destroys it: never join it to a connector that can transmit.")
	}
	return append(all, p.Cautions...)
}

// notDone reports whether an error says that a person did not do what was asked.
func notDone(err error) bool {
	var p *PromptError
	return errors.As(err, &p)
}
