package jobs

import (
	"context"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/sim"
)

// operator is a person at the benches of a simulated lab: reads prompts, does
// with the hands of the simulator what they say, and answers with a name.
type operator struct {
	t    testing.TB
	name string
	bed  *testBed
	// before happens before a prompt is answered; may be nil.
	before func(PromptStatus)

	mu   sync.Mutex
	done []PromptStatus
}

// operate has a person look after the prompts until the test ends.
func (b *testBed) operate(name string) *operator {
	b.t.Helper()
	return b.operateWith(name, nil)
}

// operateWith is operate, and something happens before each answer.
func (b *testBed) operateWith(name string, before func(PromptStatus)) *operator {
	b.t.Helper()
	o := &operator{t: b.t, name: name, bed: b, before: before}
	ctx, cancel := context.WithCancel(context.WithoutCancel(b.t.Context()))
	var wait sync.WaitGroup
	wait.Go(func() {
		for ctx.Err() == nil {
			open, err := OpenPrompts(ctx, b.pool)
			if err != nil && ctx.Err() == nil {
				b.t.Errorf("operator: %v", err)
				return
			}
			for _, p := range open {
				o.serve(ctx, p)
			}
			pause(ctx, nil, 20*time.Millisecond)
		}
	})
	b.t.Cleanup(func() {
		cancel()
		wait.Wait()
	})
	return o
}

// serve does what one prompt says.
func (o *operator) serve(ctx context.Context, p PromptStatus) {
	if on := o.bed.lab.Transmitting(); len(on) > 0 {
		o.t.Errorf("asked to %s while %q transmit", p.Kind, on)
	}
	if p.Kind == MoveCable && p.PathTask == nil {
		fixture, err := o.bed.lab.Fixture(p.Bench)
		if err == nil {
			err = o.move(fixture, p.Text)
		}
		if err != nil {
			o.t.Errorf("operator: %s: %v", p.Text, err)
			return
		}
	}
	if o.before != nil {
		o.before(p)
	}
	if err := AnswerPrompt(ctx, o.bed.pool, p.ID, Reply{By: o.name}); err != nil {
		if ctx.Err() == nil {
			o.t.Errorf("operator: %v", err)
		}
		return
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.done = append(o.done, p)
}

var (
	cableTo = regexp.MustCompile(`connector (\d+) of \S+ in slot (\d+)\.`)
	loadsOn = regexp.MustCompile(`Terminate connector ([\d, ]+),`)
)

// move takes the measuring cable where a text says, then puts on the loads.
func (o *operator) move(f *sim.Fixture, text string) error {
	to := cableTo.FindStringSubmatch(text)
	if to == nil {
		o.t.Errorf("nobody understands %q", text)
		return nil
	}
	slot, connector := number(to[2]), number(to[1])
	if err := f.Cable(strconv.Itoa(slot*100 + connector)); err != nil {
		return err
	}
	loads := loadsOn.FindStringSubmatch(text)
	if loads == nil {
		return nil
	}
	for _, n := range strings.Split(loads[1], ", ") {
		if err := f.Terminate(slot*100+number(n), true); err != nil {
			return err
		}
	}
	return nil
}

func number(digits string) int {
	n, _ := strconv.Atoi(digits) // matched as digits
	return n
}

// did returns the texts of what was done, in order.
func (o *operator) did(kind PromptKind) []string {
	o.mu.Lock()
	defer o.mu.Unlock()
	var texts []string
	for _, p := range o.done {
		if p.Kind == kind {
			texts = append(texts, p.Text)
		}
	}
	return texts
}
