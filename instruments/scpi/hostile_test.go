package scpi_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestDoubledAnswerBetweenTwoMessages(t *testing.T) {
	s := dial(t, scpi.Config{MaxMessage: 10}, Greet(), Expect(":A?;:B?"), Send("1;2\n1;2\n"), Resync(""), Answer(":C?", "3"))
	if got, err := s.Batch(t.Context(), ":A?", ":B?", ":C?", ":D?"); !errors.Is(err, scpi.ErrAnswer) {
		t.Fatalf("got %q, %v: the last two are those of the first", got, err)
	}
	wantQuery(t, s, ":C?", "3")
}

// The answer to a question given up comes after the echo that was asked later.
func TestLateAnswerThatOvertakesTheEcho(t *testing.T) {
	for name, steps := range map[string]Step{
		"with the echo":        Steps(Echo(), Send("5\n")),
		"before the queue":     Steps(Echo(), Expect(":SYST:ERR?"), Send("5\n"+NoError+"\n")),
		"looks like the queue": Steps(Echo(), Expect(":SYST:ERR?"), Send(NoError+"\n"), ExpectEcho(";*ESE 0;*CLS"), Send(NoError+"\n")),
	} {
		t.Run(name, func(t *testing.T) {
			ctx, stop := stopping(t)
			s := dial(t, scpi.Config{}, Greet(), Expect(":A?"), stop, steps, Gone(), Greet(), Answer(":B?", "3"))
			if _, err := s.Query(ctx, ":A?"); !errors.Is(err, context.Canceled) {
				t.Fatalf("got %v", err)
			}
			wantQuery(t, s, ":B?", "3")
		})
	}
}

// What an instrument has not read yet must not reach it once it is given up: the
// lease may be somebody else's by then.
func TestAGivenUpConnectionIsReset(t *testing.T) {
	for name, giveUp := range map[string]func(*scpi.Session) error{
		"reconnect": func(s *scpi.Session) error { return s.Ready(t.Context()) },
		"close":     (*scpi.Session).Close,
	} {
		t.Run(name, func(t *testing.T) {
			ctx, stop := stopping(t)
			s := dial(t, scpi.Config{}, Greet(), Expect("*OPC?"), stop, WasReset(), Greet())
			if err := s.Wait(ctx, 0); !errors.Is(err, context.Canceled) {
				t.Fatalf("got %v", err)
			}
			if err := giveUp(s); err != nil {
				t.Fatal(err)
			}
			if name == "close" { // let the script end
				other, err := scpi.Dial(t.Context(), s.Resource(), scpi.Config{})
				if err != nil {
					t.Fatal(err)
				}
				if err := other.Close(); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// An answer to the message before, sent twice, must not confirm.
func TestConfirmIsNotTakenIn(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Confirm(":OUTP OFF", ":OUTP?", "0"),
		ExpectConfirm(":OUTP OFF", ":OUTP?"), Send("2;2;0;"+NoError+"\n"), Resync(""), // somebody else's echo
		Confirm(":OUTP OFF", ":OUTP?", "1"))
	if err := mute(t, s); err != nil {
		t.Fatal(err)
	}
	if err := mute(t, s); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Fatalf("got %v", err)
	}
}

func TestConfirmWantsABoolean(t *testing.T) {
	for _, answer := range []string{"0.3", "-1E-3", "#B0", "", "OFFF", "9.91E37", "nan", "0,0"} {
		if scpi.IsOff(answer) {
			t.Errorf("%q counts as off", answer)
		}
	}
}

func TestAnErrorQueueAnswersNumberAndText(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Answer(":A;:SYST:ERR?", "0"), Resync(""))
	if err := s.Command(t.Context(), ":A"); !errors.Is(err, scpi.ErrAnswer) {
		t.Fatalf("got %v", err)
	}
	_ = s.Ready(t.Context())
}

func TestRestartIsNotLostWithTheAnswerThatTellsIt(t *testing.T) {
	ended := make(chan struct{})
	s := dial(t, scpi.Config{Timeout: 200 * time.Millisecond}, Greet(), Close(), Do(func() { close(ended) }),
		Accept(), Expect("*ESR?;*CLS;*IDN?"), Gone(), GreetAs("0", Identity), Answer(":B?", "3")) // the register was read, the answer lost
	<-ended
	if _, err := s.Query(t.Context(), ":A?"); !errors.Is(err, scpi.ErrTimeout) {
		t.Fatalf("got %v", err)
	}
	if _, err := s.Query(t.Context(), ":A?"); !errors.Is(err, scpi.ErrRestarted) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestAnotherIdentityOnTheSameConnection(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Answer("*IDN?", "Benchyard,Script,S-2,1.0"), Gone(), Greet(), Answer(":B?", "3"))
	if _, err := s.Identity(t.Context()); !errors.Is(err, scpi.ErrWrongInstrument) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}
