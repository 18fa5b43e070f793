package shell_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
	"benchyard/instruments/shell"
)

// open is a command line that asks nobody who he is.
var open = shell.Config{Manner: shell.Manner{Prompt: "ru-1> "}}

// A command line that shows no prompt any more gets the line on a connection of its
// own, in time, and the next line another one.
func TestSwitchOffWithoutPrompt(t *testing.T) {
	off := func(out string) bool { return out == "tx off" }
	heard := make(chan struct{})
	s := dial(t, open, greet(), Expect("off"), Gone(),
		Accept(), Expect("off"), Do(func() { close(heard) }), Send("tx off\nru-1> "), Gone(),
		greet(), says("off", ""), says("get tx", "tx off\n"))
	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	err := s.SwitchOff(ctx, "get tx", off, "off")
	if err == nil || ctx.Err() != nil || !strings.Contains(err.Error(), "sent once more without waiting") {
		t.Fatalf("got %v, context %v; want an error that says so, in time", err, ctx.Err())
	}
	<-heard
	if err := s.SwitchOff(t.Context(), "get tx", off, "off"); err != nil {
		t.Errorf("it answers again: %v", err)
	}
}

// A line sent blindly on the connection at hand makes that connection unfit.
func TestBlindOnTheConnectionAtHand(t *testing.T) {
	heard := make(chan struct{})
	s := dial(t, shell.Config{}, greet(), Expect("off"), Do(func() { close(heard) }), Gone(), greet(), says("get x", "1\n"))
	if err := s.Blind(t.Context(), "off"); err != nil {
		t.Fatal(err)
	}
	<-heard
	if _, err := ask(s, "get x"); !errors.Is(err, scpi.ErrRestarted) { // it cannot say that it was not
		t.Errorf("got %v", err)
	}
	if text, err := ask(s, "get x"); err != nil || text != "1" {
		t.Errorf("got %q, %v", text, err)
	}
}

// Nothing is typed blindly where a user is asked for, past the guard, or as two lines.
func TestWhatIsNotSentBlindly(t *testing.T) {
	fenced := errors.New("fenced")
	refusing := scpi.WithGuard(t.Context(), func() error { return fenced })
	s := dial(t, shell.Config{}, greet(), Gone())
	if err := s.Blind(refusing, "off"); !errors.Is(err, fenced) {
		t.Errorf("got %v", err)
	}
	if err := s.Blind(t.Context(), "off\nreboot"); err == nil {
		t.Error("two lines went as one")
	}
	asks := shell.Config{Manner: shell.Manner{Prompt: "ru-1> ", User: "login: "}}
	if err := shell.Blind(t.Context(), Serve(t), asks, "off"); err == nil || !strings.Contains(err.Error(), "who logs in") {
		t.Errorf("got %v", err)
	}
}

// A unit with which no session came about is told on a connection of its own.
func TestBlindWithoutASession(t *testing.T) {
	done := make(chan struct{})
	where := Serve(t, Accept(), Expect("off"), Gone(), Do(func() { close(done) }))
	if err := shell.Blind(t.Context(), where, open, "off"); err != nil {
		t.Fatal(err)
	}
	<-done
}
