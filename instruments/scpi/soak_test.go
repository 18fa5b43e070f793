package scpi_test

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"benchyard/instruments/scpi"
)

// soakTime is how long TestSoak runs when BENCHYARD_SOAK does not say.
const soakTime = time.Second

// enough answers show that there was something to check.
const enough = 5

// soak is one run against an unreliable instrument.
type soak struct {
	*testing.T
	session  *scpi.Session
	peer     *unreliable
	number   atomic.Int64 // of questions and commands, each used once
	answered atomic.Int64
	piped    atomic.Int64 // answers to questions sent before the last one was answered
	granted  atomic.Bool  // the guard has permitted a write that was not seen yet
	mu       sync.Mutex
	unsent   []int // tags of commands said not to have reached the instrument
}

// guard refuses one write in twenty.
func (s *soak) guard() error {
	if rand.IntN(20) == 0 {
		return errors.New("lease lost")
	}
	s.granted.Store(true)
	return nil
}

// Record checks that nothing was sent without the guard. It is asked once for all
// that goes in one write, which may be several messages before the first answer.
func (s *soak) Record(direction string, message []byte) {
	switch direction {
	case scpi.Sent:
		if !s.granted.Load() {
			s.Errorf("%q was sent without asking the guard", message)
		}
	case scpi.Received:
		s.granted.Store(false)
	}
}

// TestSoak asks an unreliable instrument from several goroutines, with contexts
// that end at any moment and a guard that refuses, and checks what a session
// promises: every answer belongs to its question, a confirmed state is the state,
// nothing waits beyond its context, nothing is written that the guard did not see,
// and what is safe to retry has not arrived. BENCHYARD_SOAK=2m runs it longer.
func TestSoak(t *testing.T) {
	for _, over := range []string{bareSocket, synchronized, overlapped} {
		t.Run(over, func(t *testing.T) {
			t.Parallel()
			soakOver(t, over)
		})
	}
}

func soakOver(t *testing.T, over string) {
	length, err := time.ParseDuration(cmp.Or(os.Getenv("BENCHYARD_SOAK"), soakTime.String()))
	if err != nil {
		t.Fatal(err)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	s := &soak{T: t, peer: serveUnreliable(t, seed, over)}
	for s.session == nil {
		s.session, _ = scpi.Dial(t.Context(), s.peer.resource(), scpi.Config{
			Timeout: 100 * time.Millisecond, MaxBlock: 4096, MaxMessage: 50, Guard: s.guard, Transcript: s, Overlapped: over == overlapped,
		})
	}
	end := time.Now().Add(length)
	var all sync.WaitGroup
	for g := range 3 {
		all.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(g)+2))
			for s.goesOn(end) {
				s.bounded(random, s.questions(random))
				if g == 0 {
					s.bounded(random, s.commands(random))
				}
			}
		})
	}
	all.Wait()
	if err := s.session.Close(); err != nil {
		t.Error(err)
	}
	for _, tag := range s.unsent {
		if _, came := s.peer.state(tag); came {
			t.Errorf("command %d arrived and was called safe to retry", tag)
		}
	}
	if s.answered.Load() < enough {
		t.Errorf("only %d questions were answered", s.answered.Load())
	}
	if over != synchronized && s.piped.Load() == 0 {
		t.Error("no series was answered")
	}
	t.Logf("%d asked, %d answered, %d of them in a pipeline, %d connections", s.number.Load(), s.answered.Load(), s.piped.Load(), s.session.Generation())
}

// goesOn reports whether to ask more: until the end, longer when hardly anything
// was answered, and not after a failure.
func (s *soak) goesOn(end time.Time) bool {
	late := time.Since(end)
	return !s.Failed() && (late < 0 || late < 30*time.Second && (s.answered.Load() < enough || s.piped.Load() == 0))
}

// bounded runs f with a context that ends soon.
func (s *soak) bounded(random *rand.Rand, f func(context.Context)) {
	limit := time.Duration(random.IntN(300)) * time.Millisecond
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	start := time.Now()
	f(ctx)
	if over := time.Since(start) - limit; over > 5*time.Second { // not that of a busy machine
		s.Errorf("%v beyond the end of the context", over)
	}
}

// questions returns one of the ways to ask.
func (s *soak) questions(random *rand.Rand) func(context.Context) {
	n := int(s.number.Add(8))
	switch random.IntN(4) {
	case 0:
		return func(ctx context.Context) {
			x, err := s.session.QueryNumber(ctx, fmt.Sprintf(":ECHO? %d", n))
			s.check(n, strconv.FormatFloat(x, 'f', -1, 64), err)
		}
	case 1:
		return func(ctx context.Context) {
			b, err := s.session.QueryBlock(ctx, fmt.Sprintf(":TRAC? %d", n))
			if err == nil && !bytes.Equal(b, payload(fmt.Sprint(n))) {
				s.Errorf("block of question %d is %.20q", n, b)
			}
		}
	}
	ask, piped := s.session.Batch, random.IntN(2) == 0
	if piped {
		ask = s.session.Pipeline
	}
	return func(ctx context.Context) {
		var queries []string // more than one message
		for i := range 8 {
			queries = append(queries, fmt.Sprintf(":ECHO? %d", n+i))
		}
		answers, err := ask(ctx, queries...)
		for i, answer := range answers {
			s.check(n+i, answer, err)
		}
		if piped && err == nil {
			s.piped.Add(int64(len(answers)))
		}
	}
}

// check compares an answer with its question. Nonsense that a batch returns as
// it came is not the answer to another question.
func (s *soak) check(n int, answer string, err error) {
	if err != nil {
		return
	}
	if got, err := strconv.Atoi(answer); err == nil && got != n && got > 7 {
		s.Errorf("question %d got the answer %d", n, got)
	}
	s.answered.Add(1)
}

// commands returns one of the ways to switch.
func (s *soak) commands(random *rand.Rand) func(context.Context) {
	if random.IntN(2) == 0 {
		return func(ctx context.Context) {
			err := s.session.Confirm(ctx, ":OUTP?", scpi.IsOff, ":OUTP OFF")
			if output, _ := s.peer.state(0); err == nil && output {
				s.Error("confirmed off, but it is on")
			}
		}
	}
	tag := int(s.number.Add(1))
	return func(ctx context.Context) {
		err := s.session.Command(ctx, ":OUTP ON", fmt.Sprintf(":TAG %d", tag))
		if output, came := s.peer.state(tag); err == nil && !(output && came) {
			s.Errorf("command %d is said to be done", tag)
		}
		if scpi.SafeToRetry(err) {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.unsent = append(s.unsent, tag)
		}
	}
}
