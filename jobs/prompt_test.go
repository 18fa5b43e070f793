package jobs

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// asked is work on a bench that asks a person, and what came of it.
type asked struct {
	answer Answer
	err    error
}

// atRest starts an agent and waits until bench-1 has nothing to do.
func (b *testBed) atRest(change func(*AgentOptions)) *tenure {
	b.t.Helper()
	a := b.start("a", change)
	within(b.t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	return a.tenureOf("bench-1")
}

// asking has the tenure ask in work of its own.
func asking(t *testing.T, tn *tenure, p Prompt) (outcome <-chan asked, cancel context.CancelCauseFunc) {
	t.Helper()
	ctx, cancel := context.WithCancelCause(t.Context())
	ctx, end, ok := tn.begin(ctx, uuid.Nil)
	if !ok {
		t.Fatal("the bench takes no work")
	}
	done := make(chan asked, 1)
	go func() {
		defer end()
		var o asked
		o.answer, o.err = tn.ask(ctx, p)
		done <- o
	}()
	return done, cancel
}

// open waits for the one open prompt.
func (b *testBed) open() PromptStatus {
	b.t.Helper()
	var found []PromptStatus
	within(b.t, 20*time.Second, "a prompt", func() bool {
		var err error
		if found, err = OpenPrompts(b.t.Context(), b.pool); err != nil {
			b.t.Fatal(err)
		}
		return len(found) == 1
	})
	return found[0]
}

func outcomeOf(t *testing.T, c <-chan asked) asked {
	t.Helper()
	select {
	case o := <-c:
		return o
	case <-time.After(20 * time.Second):
		t.Fatal("the work still waits")
		return asked{}
	}
}

var toTheMeter = Prompt{Kind: ConnectGenerator, Text: "Connect the generator to the power meter.", Cautions: []string{"Zero the meter first."}}

// A person is asked with the bench quiet, answers with a name, and work goes on
// with the answer; all of it is kept.
func TestPromptIsAskedAndAnswered(t *testing.T) {
	b := newTestBed(t, 1, nil)
	tn := b.atRest(nil)
	outcome, _ := asking(t, tn, toTheMeter)
	p := b.open()
	if p.Bench != "bench-1" || p.Run != nil || p.Kind != ConnectGenerator || p.Text != toTheMeter.Text || p.State != PromptOpen {
		t.Errorf("prompt %+v", p)
	}
	if !slices.Contains(p.Cautions, "Zero the meter first.") || !slices.ContainsFunc(p.Cautions, func(c string) bool { return strings.Contains(c, "no safety device") }) {
		t.Errorf("cautions %q", p.Cautions)
	}
	for _, step := range []string{"T4-0001 transmitter off", "analyzer at full attenuation", "no power at the analyzer"} {
		if !slices.ContainsFunc(p.Confirmed, func(c string) bool { return strings.HasPrefix(c, step) || strings.HasPrefix(c, "T4-0001 has no DC") }) {
			t.Errorf("%q was not confirmed before: %q", step, p.Confirmed)
		}
	}
	eventually(t, "a bench that waits", func() bool {
		s := b.bench("bench-1")
		return s.Activity == Waiting && s.Doing == toTheMeter.Text
	})
	var refused *ReplyError
	for _, wrong := range []Reply{{}, {By: " \t"}, {By: "bob", Cannot: true, Note: " "}} {
		if err := AnswerPrompt(t.Context(), b.pool, p.ID, wrong); !errors.As(err, &refused) {
			t.Errorf("%+v: %v, want a refusal", wrong, err)
		}
	}
	if err := AnswerPrompt(t.Context(), b.pool, newID(t), Reply{By: "bob"}); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown prompt: %v", err)
	}
	if err := AnswerPrompt(t.Context(), b.pool, p.ID, Reply{By: " bob ", Note: "two turns"}); err != nil {
		t.Fatal(err)
	}
	if o := outcomeOf(t, outcome); o.err != nil || o.answer.By != "bob" || o.answer.Note != "two turns" || o.answer.ID != p.ID || o.answer.At.IsZero() {
		t.Errorf("answer %+v, %v", o.answer, o.err)
	}
	if err := AnswerPrompt(t.Context(), b.pool, p.ID, Reply{By: "eve"}); !errors.Is(err, ErrEnded) {
		t.Errorf("second answer: %v, want ErrEnded", err)
	}
	kept, err := PromptByID(t.Context(), b.pool, p.ID)
	if err != nil || kept.State != PromptDone || kept.AnsweredBy != "bob" || kept.EndedAt == nil {
		t.Errorf("kept %+v, %v", kept, err)
	}
}

// Who cannot do it says why; nobody there is an error too. Neither is tried again.
func TestPromptIsNotDone(t *testing.T) {
	b := newTestBed(t, 1, nil)
	tn := b.atRest(nil)
	outcome, _ := asking(t, tn, toTheMeter)
	if err := AnswerPrompt(t.Context(), b.pool, b.open().ID, Reply{By: "bob", Cannot: true, Note: "the adapter is missing"}); err != nil {
		t.Fatal(err)
	}
	o := outcomeOf(t, outcome)
	var not *PromptError
	if !errors.As(o.err, &not) || not.State != PromptCannot || !strings.Contains(o.err.Error(), "bob") || !strings.Contains(o.err.Error(), "adapter is missing") {
		t.Errorf("%v, want that bob cannot", o.err)
	}
	var broken benchFailure
	if !errors.As(o.err, &broken) || !notDone(o.err) {
		t.Errorf("%v is tried again", o.err)
	}

	short := toTheMeter
	short.Timeout = 300 * time.Millisecond
	eventually(t, "a bench without work", func() bool { return tn.free() })
	outcome, _ = asking(t, tn, short)
	p := b.open()
	o = outcomeOf(t, outcome)
	if !errors.As(o.err, &not) || not.State != PromptTimedOut || !strings.Contains(o.err.Error(), "nobody answered within 300ms") {
		t.Errorf("%v, want that nobody answered", o.err)
	}
	if kept, err := PromptByID(t.Context(), b.pool, p.ID); err != nil || kept.State != PromptTimedOut {
		t.Errorf("kept %+v, %v", kept, err)
	}
}

// free reports whether nothing is in work.
func (t *tenure) free() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.work == nil
}

// The end of the work, or of the agent, withdraws the prompt.
func TestPromptIsWithdrawn(t *testing.T) {
	b := newTestBed(t, 1, nil)
	tn := b.atRest(nil)
	outcome, cancel := asking(t, tn, toTheMeter)
	first := b.open()
	cancel(errCancelled)
	if o := outcomeOf(t, outcome); !errors.Is(o.err, errCancelled) {
		t.Errorf("%v, want errCancelled", o.err)
	}
	eventually(t, "a bench without work", func() bool { return tn.free() })
	outcome, _ = asking(t, tn, toTheMeter)
	second := b.open()
	start := time.Now()
	b.stop(tn.agent)
	if o := outcomeOf(t, outcome); !errors.Is(o.err, errStopping) {
		t.Errorf("%v, want errStopping", o.err)
	}
	if took := time.Since(start); took > quick().SoftStop/2 {
		t.Errorf("the agent took %s to stop, it waited for the person", took)
	}
	for _, id := range []uuid.UUID{first.ID, second.ID} {
		if kept, err := PromptByID(t.Context(), b.pool, id); err != nil || kept.State != PromptWithdrawn || kept.Note == "" {
			t.Errorf("kept %+v, %v", kept, err)
		}
		if err := AnswerPrompt(t.Context(), b.pool, id, Reply{By: "bob"}); !errors.Is(err, ErrEnded) {
			t.Errorf("answer: %v, want ErrEnded", err)
		}
	}
}

// Waiting for a person does not use up the time of the segment.
func TestWaitingDoesNotCount(t *testing.T) {
	b := newTestBed(t, 1, nil)
	const limit = 3 * time.Second
	tn := b.atRest(func(o *AgentOptions) { o.Timings.Segment = limit })
	outcome, _ := asking(t, tn, toTheMeter)
	p := b.open()
	within(t, time.Minute, "the end of the limit", func() bool { return time.Since(p.AskedAt) > limit+limit/2 })
	if err := AnswerPrompt(t.Context(), b.pool, p.ID, Reply{By: "bob"}); err != nil {
		t.Fatal(err)
	}
	if o := outcomeOf(t, outcome); o.err != nil {
		t.Error(o.err)
	}
}

// With its lease gone a prompt is nobody's any more.
func TestPromptEndsWithTheLease(t *testing.T) {
	b := newTestBed(t, 1, nil)
	tn := b.atRest(nil)
	outcome, _ := asking(t, tn, toTheMeter)
	p := b.open()
	mustExec(t, b.pool, `UPDATE bench_lease SET token = token + 1, holder = 'thief', expires_at = now() + interval '1 hour'`)
	if err := AnswerPrompt(t.Context(), b.pool, p.ID, Reply{By: "bob"}); !errors.Is(err, ErrEnded) {
		t.Errorf("answer: %v, want ErrEnded", err)
	}
	if found, err := OpenPrompts(t.Context(), b.pool); err != nil || len(found) != 0 {
		t.Errorf("open %+v, %v", found, err)
	}
	if o := outcomeOf(t, outcome); !errors.Is(o.err, errFenced) {
		t.Errorf("%v, want errFenced", o.err)
	}
}

func TestStopwatchCountsOnlyWork(t *testing.T) {
	out := make(chan struct{})
	w := newStopwatch(50*time.Millisecond, func() { close(out) })
	resume := w.halt()
	timer := time.NewTimer(120 * time.Millisecond)
	select {
	case <-out:
		t.Fatal("it ran out while halted")
	case <-timer.C:
	}
	resume()
	select {
	case <-out:
	case <-time.After(10 * time.Second):
		t.Fatal("it does not run out")
	}
	w.halt()() // of no effect any more
	w.stop()
}
