package scpi_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestLostConnection(t *testing.T) {
	for name, end := range map[string]Step{"closed": Close(), "reset": Reset()} {
		t.Run(name+" between exchanges", func(t *testing.T) {
			ended := make(chan struct{})
			s := dial(t, scpi.Config{}, Greet(), end, Do(func() { close(ended) }), Greet(), Answer(":B?", "3"))
			<-ended
			wantQuery(t, s, ":B?", "3") // nothing was sent yet, so nobody need know
		})
		t.Run(name+" inside an exchange", func(t *testing.T) {
			s := dial(t, scpi.Config{}, Greet(), Expect(":A?"), Send("12"), end, Greet(), Answer(":B?", "3"))
			if x, err := s.Query(t.Context(), ":A?"); err == nil || scpi.SafeToRetry(err) {
				t.Fatalf("got %q, %v: the instrument has the message", x, err)
			}
			wantQuery(t, s, ":B?", "3")
		})
	}
}

func TestRestartIsReportedOnce(t *testing.T) {
	ended := make(chan struct{})
	// 488.2 11.5.1: bit 7 of the event status register is power on.
	s := dial(t, scpi.Config{}, GreetAs("128", Identity), Answer(":A?", "1"), Close(), Do(func() { close(ended) }),
		GreetAs("128", Identity), Answer(":B?", "3"))
	wantQuery(t, s, ":A?", "1") // the first connection takes the instrument as it is
	<-ended
	if _, err := s.Query(t.Context(), ":FREQ?"); !errors.Is(err, scpi.ErrRestarted) || !scpi.SafeToRetry(err) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestAnotherInstrumentIsRefused(t *testing.T) {
	ended := make(chan struct{})
	s := dial(t, scpi.Config{}, Greet(), Close(), Do(func() { close(ended) }),
		GreetAs("0", "Benchyard,Script,S-2,1.0"), Gone(), GreetAs("0", "Benchyard,Script,S-1,2.0"), Answer(":B?", "3"))
	<-ended
	_, err := s.Query(t.Context(), ":A?")
	if !errors.Is(err, scpi.ErrWrongInstrument) || !strings.Contains(err.Error(), "S-2") || !strings.Contains(err.Error(), "S-1") {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3") // new firmware is the same instrument
}

func TestDialFailures(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := listener.Addr().(*net.TCPAddr).Port
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}
	unreachable := scpi.Resource{Host: "127.0.0.1", Port: port}
	if _, err := scpi.Dial(t.Context(), unreachable, scpi.Config{}); err == nil || !strings.Contains(err.Error(), unreachable.String()) || !scpi.SafeToRetry(err) {
		t.Errorf("nobody listens: got %v", err)
	}
	silent := Serve(t, Accept(), Expect("*ESR?;*CLS;*IDN?"), Gone())
	if _, err := scpi.Dial(t.Context(), silent, scpi.Config{Timeout: 50 * time.Millisecond}); !errors.Is(err, scpi.ErrTimeout) {
		t.Errorf("silence: got %v", err)
	}
	for _, garbage := range []string{"hello", "0;no identity", "x;" + Identity, "300;" + Identity} {
		if _, err := scpi.Dial(t.Context(), Serve(t, Accept(), Answer("*ESR?;*CLS;*IDN?", garbage), Gone()), scpi.Config{}); !errors.Is(err, scpi.ErrAnswer) {
			t.Errorf("%q: got %v", garbage, err)
		}
	}
	if _, err := scpi.Dial(t.Context(), unreachable, scpi.Config{Timeout: -1}); err == nil {
		t.Error("negative timeout: want an error")
	}
}

func TestCommandReadsTheErrorQueue(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Command(":FREQ 1E9;:POW -10"),
		Answer(":FREQ 1E99;:SYST:ERR?", `-222,"Data out of range"`), Answer(":SYST:ERR?", `-221,"Settings conflict"`), Answer(":SYST:ERR?", NoError),
		Answer(":A;:SYST:ERR?", "huh"), Resync(""), Answer(":B?", "3"))
	if err := s.Command(t.Context(), ":FREQ 1E9", ":POW -10"); err != nil {
		t.Fatal(err)
	}
	var reported *scpi.Error
	if err := s.Command(t.Context(), ":FREQ 1E99"); !errors.As(err, &reported) || reported.Number != -222 || !strings.Contains(err.Error(), "1 more") {
		t.Fatalf("got %v", err)
	}
	if err := s.Command(t.Context(), ":A"); !errors.Is(err, scpi.ErrAnswer) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestErrorQueueThatNeverEmpties(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Serving(func(string) string { return "-350,\"Queue overflow\"\n" }))
	queued, err := s.DrainErrors(t.Context())
	if err == nil || len(queued) != 64 || queued[63].Number != -350 {
		t.Fatalf("got %d entries, %v", len(queued), err)
	}
}

func TestLongCommandsAreSplit(t *testing.T) {
	s := dial(t, scpi.Config{MaxMessage: 30}, Greet(), Expect(":FREQ:STAR 1E9;:FREQ:STOP 2E9"), Expect(":BAND 1E3;:SWE:POIN 1001"),
		Answer(":SYST:ERR?", NoError), Answer(":A?;:B?", "1;2"))
	if err := s.Command(t.Context(), ":FREQ:STAR 1E9", ":FREQ:STOP 2E9", ":BAND 1E3", ":SWE:POIN 1001"); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Batch(t.Context(), ":A?", ":B?"); err != nil || len(got) != 2 {
		t.Fatalf("got %q, %v", got, err)
	}
	for _, bad := range []string{"", ":A\n:B", ":A;:B", ":A?", "SETUP&", ":" + strings.Repeat("A:", 20)} {
		if err := s.Command(t.Context(), bad); err == nil || !scpi.SafeToRetry(err) {
			t.Errorf("%q: got %v", bad, err)
		}
	}
	if _, err := s.Batch(t.Context(), ":A"); err == nil {
		t.Error("a command in a batch: want an error")
	}
	if _, err := s.Query(t.Context(), ":A"); err == nil {
		t.Error("a command as a query: want an error")
	}
}

func TestGuard(t *testing.T) {
	var lost atomic.Bool
	fenced := errors.New("lease lost")
	guard := func() error {
		if lost.Load() {
			return fenced
		}
		return nil
	}
	ctx, stop := stopping(t)
	s := dial(t, scpi.Config{Guard: guard}, Greet(), Expect(":A?"), stop, Resync("1\n"), Answer(":OUTP OFF;:SYST:ERR?", NoError))
	if _, err := s.Query(ctx, ":A?"); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	lost.Store(true)
	err := s.Command(t.Context(), ":OUTP ON") // the session would have to resync first
	if !errors.Is(err, fenced) || !errors.Is(err, scpi.ErrRefused) || !scpi.SafeToRetry(err) {
		t.Fatalf("got %v", err)
	}
	ctx = scpi.WithGuard(t.Context(), func() error { return nil })
	if err := s.Command(ctx, ":OUTP OFF"); err != nil {
		t.Fatal(err)
	}
	if err := s.Command(t.Context(), ":OUTP ON"); !errors.Is(err, fenced) {
		t.Fatalf("got %v", err)
	}
	if _, err := scpi.Dial(t.Context(), s.Resource(), scpi.Config{Guard: guard}); !errors.Is(err, fenced) {
		t.Fatalf("dial: got %v", err)
	}
}

func TestClose(t *testing.T) {
	asked := make(chan struct{})
	s := dial(t, scpi.Config{}, Greet(), Expect(":A?"), Do(func() { close(asked) }), Gone())
	returned := make(chan error, 1)
	go func() {
		_, err := s.Query(context.Background(), ":A?")
		returned <- err
	}()
	<-asked
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-returned; !errors.Is(err, scpi.ErrClosed) {
		t.Errorf("under way: got %v", err)
	}
	if _, err := s.Query(t.Context(), ":A?"); !errors.Is(err, scpi.ErrClosed) || !scpi.SafeToRetry(err) {
		t.Errorf("later: got %v", err)
	}
}

// log is a transcript.
type log struct{ lines []string }

func (l *log) Record(direction string, message []byte) {
	l.lines = append(l.lines, direction+" "+string(message))
}

func TestTranscript(t *testing.T) {
	var got log
	s := dial(t, scpi.Config{Transcript: &got}, Greet(), Answer(":A?;:B?", "#15a;\nbc;2"))
	if _, err := s.Batch(t.Context(), ":A?", ":B?"); err != nil {
		t.Fatal(err)
	}
	want := []string{"note connected to " + s.Resource().String(), "sent *ESR?;*CLS;*IDN?", "received 0;" + Identity,
		"sent :A?;:B?", "received #<5 bytes>;2"}
	if fmt.Sprintf("%q", got.lines) != fmt.Sprintf("%q", want) {
		t.Errorf("got %q, want %q", got.lines, want)
	}
}
