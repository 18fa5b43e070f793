package scpi_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func switchOff(ctx context.Context, s *scpi.Session) error {
	return s.SwitchOff(ctx, ":OUTP?", scpi.IsOff, ":OUTP OFF")
}

// within bounds one switching off as a step of a safe state does.
func within(t *testing.T, limit time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	t.Cleanup(cancel)
	return ctx
}

// An instrument that answers nothing any more gets the command in time, on the
// connection that it has, though not even the resync came to an end. What it answers
// late is never taken for an answer: the next exchange has a connection of its own.
func TestSwitchOffWithoutAnswers(t *testing.T) {
	heard := make(chan struct{})
	s := dial(t, scpi.Config{}, Greet(),
		Expect(":A?"),  // not answered
		ExpectEcho(""), // nor is the resync
		Expect(":OUTP OFF"), Do(func() { close(heard) }), Send("7\n"), Gone(),
		Greet(), Answer(":B?", "3"))
	if _, err := s.Query(within(t, 50*time.Millisecond), ":A?"); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("got %v", err)
	}
	ctx := within(t, 500*time.Millisecond)
	err := switchOff(ctx, s)
	if err == nil || ctx.Err() != nil || !strings.Contains(err.Error(), "sent once more without waiting") {
		t.Fatalf("got %v, context %v; want an error that says so, in time", err, ctx.Err())
	}
	<-heard
	wantQuery(t, s, ":B?", "3")
}

// Where the connection is lost, and the new one answers nothing either, the command
// goes out on one more.
func TestSwitchOffOnANewConnection(t *testing.T) {
	heard := make(chan struct{})
	s := dial(t, scpi.Config{Timeout: 100 * time.Millisecond}, Greet(),
		muting, Reset(), Accept(), Expect("*ESR?;*CLS;*IDN?"), Gone(),
		Accept(), Expect(":OUTP OFF"), Do(func() { close(heard) }), Gone(),
		Greet(), muted("0"))
	if err := switchOff(within(t, time.Second), s); err == nil {
		t.Fatal("nothing was confirmed, want an error")
	}
	<-heard
	if err := switchOff(t.Context(), s); err != nil {
		t.Fatalf("it answers again: %v", err)
	}
}

// What is confirmed, refused by the guard, or said to be on is not sent blindly.
func TestNothingIsSentBlindlyWithoutNeed(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), muted("0"), muted("1"), Answer(":B?", "3"))
	if err := switchOff(within(t, time.Minute), s); err != nil {
		t.Error(err)
	}
	if err := switchOff(t.Context(), s); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("still on: got %v", err)
	}
	fenced := errors.New("fenced")
	refusing := scpi.WithGuard(t.Context(), func() error { return fenced })
	if err := switchOff(refusing, s); !errors.Is(err, fenced) || strings.Contains(err.Error(), "once more") {
		t.Errorf("refused: got %v", err)
	}
	if err := s.Blind(refusing, ":OUTP OFF"); !errors.Is(err, scpi.ErrRefused) {
		t.Errorf("refused: got %v", err)
	}
	if err := s.Blind(t.Context(), ":OUTP OFF", ":OUTP?"); err == nil {
		t.Error("a query was sent blindly")
	}
	wantQuery(t, s, ":B?", "3")
}

// Another instrument than before is not told anything.
func TestAnotherInstrumentIsToldNothing(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), muting, Reset(), GreetAs("0", "Other,Thing,9,1"), Gone())
	if err := switchOff(within(t, time.Minute), s); !errors.Is(err, scpi.ErrWrongInstrument) || strings.Contains(err.Error(), "once more") {
		t.Errorf("got %v", err)
	}
}

// An instrument to which no session comes about is told on a connection of its own.
func TestBlindWithoutASession(t *testing.T) {
	done := make(chan struct{})
	where := Serve(t, Accept(), Expect(":OUTP OFF"), Gone(), Do(func() { close(done) }))
	if err := scpi.Blind(t.Context(), where, scpi.Config{}, ":OUTP OFF"); err != nil {
		t.Fatal(err)
	}
	<-done
	fenced := errors.New("fenced")
	if err := scpi.Blind(t.Context(), where, scpi.Config{Guard: func() error { return fenced }}, ":OUTP OFF"); !errors.Is(err, fenced) {
		t.Errorf("got %v", err)
	}
}
