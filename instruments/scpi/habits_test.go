package scpi_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestBannerIsThrownAway(t *testing.T) {
	greeted := Answer("*ESE 0;*ESR?;*CLS;*IDN?", "0;"+Identity)
	for name, banner := range map[string]Step{
		"one line":       Send("Welcome\n"),
		"two, no end":    Steps(Send("Welcome to\r\n"), Send("bench-1")),
		"an identity":    Send("0;" + Identity + "\n"),
		"a long one":     Send(strings.Repeat("Welcome\n", 5000)),
		"none after all": Steps(),
	} {
		t.Run(name, func(t *testing.T) {
			s := dial(t, scpi.Config{Banner: true, Timeout: 500 * time.Millisecond}, Accept(), banner, Echo(), greeted, Answer(":B?", "3"))
			wantQuery(t, s, ":B?", "3")
		})
	}
	r := Serve(t, Accept(), Send("Welcome\n"), Gone())
	if _, err := scpi.Dial(t.Context(), r, scpi.Config{}); !errors.Is(err, scpi.ErrAnswer) || !strings.Contains(err.Error(), "say so: banner") {
		t.Errorf("not announced: got %v", err)
	}
}

func TestTerminators(t *testing.T) {
	for terminator, end := range map[string]string{"": "\n", "LF": "\n", "CRLF": "\r\n", "CR": "\r"} {
		s := dial(t, scpi.Config{Terminator: terminator}, Accept(), ExpectBytes("*ESR?;*CLS;*IDN?"+end), Send("0;"+Identity+end),
			ExpectBytes(":A?"+end), Send("1"+end), ExpectBytes(":B?"+end), Send("#13\r\n;"+end))
		wantQuery(t, s, ":A?", "1")
		if b, err := s.QueryBlock(t.Context(), ":B?"); err != nil || string(b) != "\r\n;" {
			t.Errorf("%q: got %q, %v", terminator, b, err)
		}
	}
	if _, err := scpi.Dial(t.Context(), scpi.Resource{Host: "127.0.0.1", Port: 1}, scpi.Config{Terminator: "\n"}); err == nil || !strings.Contains(err.Error(), "CRLF") {
		t.Errorf("unknown terminator: got %v", err)
	}
}

// An instrument that pads is in step, whenever the padding arrives.
func TestPaddingNeedsNoResync(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Expect(":A?"), Send("1\r\n\x00"), Expect(":B?"), Send("\x00\x002\n"), Expect(":C?"), Send("3 \n\x00\x00"), Answer(":D?", "4"))
	wantQuery(t, s, ":A?", "1")
	wantQuery(t, s, ":B?", "2")
	wantQuery(t, s, ":C?", "3")
	wantQuery(t, s, ":D?", "4")
}

func TestBlockWithoutTerminator(t *testing.T) {
	late, sent := make(chan struct{}), make(chan struct{})
	s := dial(t, scpi.Config{BareBlocks: true}, Greet(), Expect(":A?"), Send("#15a\nb\nc"), Answer(":B?", "3"),
		Expect(":C1?;:C2?"), Send("1;#12x\n"), Await(late), Send("\n"), Do(func() { close(sent) }), Answer(":D?", "4"), Answer(":E1?;:E2?", "#12yz;5"))
	if b, err := s.QueryBlock(t.Context(), ":A?"); err != nil || string(b) != "a\nb\nc" {
		t.Errorf("got %q, %v", b, err)
	}
	wantQuery(t, s, ":B?", "3")
	if got, err := s.Batch(t.Context(), ":C1?", ":C2?"); err != nil || fmt.Sprintf("%q", got) != `["1" "#12x\n"]` {
		t.Errorf("got %q, %v", got, err)
	}
	close(late) // the line feed comes after the silence
	<-sent
	wantQuery(t, s, ":D?", "4")
	if got, err := s.Batch(t.Context(), ":E1?", ":E2?"); err != nil || fmt.Sprintf("%q", got) != `["#12yz" "5"]` {
		t.Errorf("got %q, %v", got, err)
	}
}

func TestBlocksOfIndefiniteLength(t *testing.T) {
	s := dial(t, scpi.Config{TextBlocks: true}, Greet(), Answer(":A?", "#01.5,\"x;2\r"), Answer(":B?;:C?", "1;#0a"),
		Expect(":D?"), Send("#0a\x80"), Gone(), Greet(), Answer(":E?", "3"))
	if b, err := s.QueryBlock(t.Context(), ":A?"); err != nil || string(b) != "1.5,\"x;2" {
		t.Errorf("text: got %q, %v", b, err)
	}
	if got, err := s.Batch(t.Context(), ":B?", ":C?"); err != nil || fmt.Sprint(got) != "[1 #0a]" {
		t.Errorf("behind a number: got %q, %v", got, err)
	}
	if b, err := s.QueryBlock(t.Context(), ":D?"); err == nil {
		t.Errorf("other bytes: got %q", b)
	}
	wantQuery(t, s, ":E?", "3")
	s = dial(t, scpi.Config{}, Greet(), Expect(":A?"), Send("#01\n"), Gone(), Greet(), Answer(":B?", "3"))
	var refused *scpi.Error
	if b, err := s.QueryBlock(t.Context(), ":A?"); !errors.As(err, &refused) || refused.Number != -161 {
		t.Errorf("not permitted: got %q, %v", b, err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestNumbersOfOtherHabitsAreRefused(t *testing.T) {
	for _, answer := range []string{"1,5", "3.5 DBM", "3.5DBM", "0x10", "1.0.0", "1_000", "Inf", "NaN", "---", "1\x002"} {
		s := dial(t, scpi.Config{}, Greet(), Answer(":A?", answer), Resync(""), Answer(":B?", "3"))
		x, err := s.QueryNumber(t.Context(), ":A?")
		if !errors.Is(err, scpi.ErrAnswer) || x != 0 {
			t.Errorf("%q: got %v, %v", answer, x, err)
		}
		wantQuery(t, s, ":B?", "3")
	}
}

// The peer of vector 60 of the standard's error queue: 16 errors, then -350.
func TestErrorQueueOverflow(t *testing.T) {
	var rest []Step
	for range 15 {
		rest = append(rest, Answer(":SYST:ERR?", `-113,"Undefined header"`))
	}
	rest = append(rest, Answer(":SYST:ERR?", `-350,"Queue overflow"`), Answer(":SYST:ERR?", `+0,"No error"`))
	s := dial(t, scpi.Config{}, Greet(), Answer(":FOO;:SYST:ERR?", `-113,"Undefined header"`), Steps(rest...), Answer(":B?", "3"))
	var refused *scpi.Error
	if err := s.Command(t.Context(), ":FOO"); !errors.As(err, &refused) || refused.Number != -113 || !strings.Contains(err.Error(), "16 more") {
		t.Errorf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestAnswersByteByByte(t *testing.T) {
	var steps []Step
	for _, b := range []byte("-1.5E-3;#15a\nb\nc;\"x;\"\"y\"\r\n") {
		steps = append(steps, Send(string(b)))
	}
	s := dial(t, scpi.Config{}, Greet(), Expect(":A?;:B?;:C?"), Steps(steps...), Answer(":D?", "3"))
	if got, err := s.Batch(t.Context(), ":A?", ":B?", ":C?"); err != nil || fmt.Sprintf("%q", got) != `["-1.5E-3" "#15a\nb\nc" "\"x;\"\"y\""]` {
		t.Errorf("got %q, %v", got, err)
	}
	wantQuery(t, s, ":D?", "3")
}

func TestSecondClientIsToldWhy(t *testing.T) {
	r := Serve(t, Accept(), Expect("*ESR?;*CLS;*IDN?"), Gone())
	if _, err := scpi.Dial(t.Context(), r, scpi.Config{Timeout: 50 * time.Millisecond}); !errors.Is(err, scpi.ErrTimeout) || !strings.Contains(err.Error(), "another client") {
		t.Errorf("connected is not available: got %v", err)
	}
}

// A peer that takes nothing any more: the write itself has to end.
func TestHalfOpenPeer(t *testing.T) {
	huge := ":DATA '" + strings.Repeat("7", 12<<20) + "'" // more than the buffers of both ends
	for name, want := range map[string]error{"timeout": scpi.ErrTimeout, "cancel": context.Canceled} {
		t.Run(name, func(t *testing.T) {
			given := make(chan struct{})
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			begun := Steps()
			if name == "cancel" {
				begun = Steps(Begun(), Do(cancel))
			}
			s := dial(t, scpi.Config{MaxMessage: 32 << 20, Timeout: 3 * time.Second}, Greet(), begun, Await(given), Greet(), Answer(":B?", "3"))
			if _, err := s.Exchange(ctx, 0, huge); !errors.Is(err, want) || scpi.SafeToRetry(err) {
				t.Errorf("got %.200v", err)
			}
			close(given)
			wantQuery(t, s, ":B?", "3")
		})
	}
}

// 488.2 10.14: the answer to *IDN? has no end of its own, so nothing may follow it.
func TestIdentityComesLastInItsMessage(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Answer(":A?;*IDN?", "1;"+Identity), Answer(":B?;*OPT?", "2;0,0"), Answer(":C?", "3"))
	got, err := s.Batch(t.Context(), ":A?", "*IDN?", ":B?", "*OPT?", ":C?")
	if err != nil || strings.Join(got, "|") != "1|"+Identity+"|2|0,0|3" {
		t.Errorf("got %q, %v", got, err)
	}
}
