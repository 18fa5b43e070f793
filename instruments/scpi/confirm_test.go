package scpi_test

import (
	"errors"
	"testing"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func muted(answer string, queued ...string) Step {
	return Confirm(":OUTP OFF", ":OUTP?", answer, queued...)
}

var muting = ExpectConfirm(":OUTP OFF", ":OUTP?")

func mute(t *testing.T, s *scpi.Session) error {
	return s.Confirm(t.Context(), ":OUTP?", scpi.IsOff, ":OUTP OFF")
}

func TestConfirm(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), muted("0"), muted("1"), muted("1", `-240,"Hardware error"`),
		muted("0", `-350,"Queue overflow"`), muted("?"))
	if err := mute(t, s); err != nil {
		t.Fatal(err)
	}
	if err := mute(t, s); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Fatalf("still on: got %v", err)
	}
	var reported *scpi.Error
	if err := mute(t, s); !errors.Is(err, scpi.ErrUnconfirmed) || !errors.As(err, &reported) || reported.Number != -240 {
		t.Fatalf("still on with a reason: got %v", err)
	}
	if err := mute(t, s); err != nil { // off is off, whatever the queue holds
		t.Fatal(err)
	}
	if err := mute(t, s); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Fatalf("nonsense: got %v", err)
	}
}

func TestConfirmTriesTwice(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), muting, Close(), Greet(), muted("0"),
		muting, Close(), Greet(), muting, Reset())
	if err := mute(t, s); err != nil {
		t.Fatal(err)
	}
	if err := mute(t, s); err == nil {
		t.Fatal("two lost connections: want an error")
	}
}

func TestConfirmKeepsTheRestartForTheNextCaller(t *testing.T) {
	ended := make(chan struct{})
	s := dial(t, scpi.Config{}, Greet(), Close(), Do(func() { close(ended) }), GreetAs("128", Identity), // 488.2 11.5.1: power on
		muted("0"), Answer(":B?", "3"))
	<-ended
	if err := mute(t, s); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Query(t.Context(), ":A?"); !errors.Is(err, scpi.ErrRestarted) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}
