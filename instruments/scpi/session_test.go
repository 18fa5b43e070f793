package scpi_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// dial starts the script and opens a session to it.
func dial(t *testing.T, config scpi.Config, steps ...Step) *scpi.Session {
	t.Helper()
	s, err := scpi.Dial(t.Context(), Serve(t, steps...), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// stopping returns a context and the step of a script that ends it.
func stopping(t *testing.T) (context.Context, Step) {
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	return ctx, Do(cancel)
}

func wantQuery(t *testing.T, s *scpi.Session, query, want string) {
	t.Helper()
	if got, err := s.Query(t.Context(), query); err != nil || got != want {
		t.Fatalf("%s: got %q, %v, want %q", query, got, err, want)
	}
}

func TestAnswersOfEveryShape(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(),
		Answer(":A?", "1\r"), Answer(":B?", "2\x00"), Answer(":C?", `"x;,y"`), Answer(":D?", "-1.5E-3"), Answer(":E?", "1"),
		Expect(":F?"), Send("#15a\nb"), Send("\nc\n"), // line feeds inside the block, in two segments
		Answer(":G?;:H?", `-113,"Undefined header;*XYZ";4`), // vol. 2, 21.8.1: ';' inside the text
		Answer(":I?", "#10"), Answer("*OPC?", "1"), Answer("*IDN?", Identity+"b"))
	ctx := t.Context()
	wantQuery(t, s, "A?", "1") // the colon is added
	wantQuery(t, s, ":B?", "2")
	wantQuery(t, s, ":C?", `"x;,y"`)
	if x, err := s.QueryNumber(ctx, ":D?"); err != nil || x != -1.5e-3 {
		t.Errorf("number: got %v, %v", x, err)
	}
	if on, err := s.QueryBool(ctx, ":E?"); err != nil || !on {
		t.Errorf("bool: got %v, %v", on, err)
	}
	if b, err := s.QueryBlock(ctx, ":F?"); err != nil || string(b) != "a\nb\nc" {
		t.Errorf("block: got %q, %v", b, err)
	}
	if got, err := s.Batch(ctx, ":G?", ":H?"); err != nil || fmt.Sprintf("%q", got) != `["-113,\"Undefined header;*XYZ\"" "4"]` {
		t.Errorf("batch: got %q, %v", got, err)
	}
	if b, err := s.QueryBlock(ctx, ":I?"); err != nil || len(b) != 0 {
		t.Errorf("empty block: got %q, %v", b, err)
	}
	if err := s.Wait(ctx, time.Minute); err != nil {
		t.Error(err)
	}
	if id, err := s.Identity(ctx); err != nil || id.Firmware != "1.0b" || id.Model != "Script" {
		t.Errorf("identity: got %+v, %v", id, err)
	}
}

func TestStaleAnswerIsNeverFresh(t *testing.T) {
	ctx, stop := stopping(t)
	s := dial(t, scpi.Config{}, Greet(),
		Expect(":POW?"), stop, // no answer in time
		Resync("-12.5\n"), Answer(":FREQ?", "1E9")) // it comes in front of the echo
	if _, err := s.Query(ctx, ":POW?"); !errors.Is(err, context.Canceled) || scpi.SafeToRetry(err) {
		t.Fatalf("got %v, safe to retry %t", err, scpi.SafeToRetry(err))
	}
	wantQuery(t, s, ":FREQ?", "1E9")
}

func TestUnaskedBytesAreDiscarded(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Expect(":A?"), Send("1\n2\n"), Resync(""), Answer(":B?", "3"))
	wantQuery(t, s, ":A?", "1")
	wantQuery(t, s, ":B?", "3")
}

func TestTimeoutOfTheConfig(t *testing.T) {
	s := dial(t, scpi.Config{Timeout: 300 * time.Millisecond}, Greet(), Expect(":A?"), Gone(), Greet(), Answer(":B?", "3"))
	_, err := s.Query(t.Context(), ":A?")
	if !errors.Is(err, scpi.ErrTimeout) || scpi.SafeToRetry(err) {
		t.Fatalf("got %v", err)
	}
	before := s.Generation()
	wantQuery(t, s, ":B?", "3") // no echo either: a new connection
	if s.Generation() == before {
		t.Error("the new connection has the generation of the old one")
	}
}

func TestHalfReadBlockClosesTheConnection(t *testing.T) {
	ctx, stop := stopping(t)
	s := dial(t, scpi.Config{}, Greet(), Expect(":TRAC?"), Send("#220abc\n1\n"), stop, Gone(), Greet(), Answer(":B?", "3"))
	if _, err := s.QueryBlock(ctx, ":TRAC?"); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestBrokenStreams(t *testing.T) {
	tests := []struct {
		name, answer string
		want         error
	}{
		{"huge block length", "#9999999999", scpi.ErrTooLong},
		{"endless line", strings.Repeat("1", 5000), scpi.ErrTooLong},
		{"string without end", "\"abc\n", scpi.ErrAnswer},
		{"length that is no number", "#2x1abc\n", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := dial(t, scpi.Config{MaxBlock: 4096}, Greet(), Expect(":A?"), Send(tt.answer), Gone(), Greet(), Answer(":B?", "3"))
			_, err := s.Query(t.Context(), ":A?")
			if err == nil || tt.want != nil && !errors.Is(err, tt.want) || scpi.SafeToRetry(err) {
				t.Fatalf("got %v, want %v", err, tt.want)
			}
			wantQuery(t, s, ":B?", "3")
		})
	}
}

func TestSecondAnswerMissing(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Answer(":A?;:FOO?", "1"), Resync("", `-113,"Undefined header;:FOO"`), Answer(":B?", "3"))
	got, err := s.Batch(t.Context(), ":A?", ":FOO?")
	var reported *scpi.Error
	if got != nil || !errors.Is(err, scpi.ErrAnswer) || !errors.As(err, &reported) || reported.Number != -113 {
		t.Fatalf("got %q, %v", got, err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestAnswerOfTheWrongKind(t *testing.T) {
	for _, answer := range []string{"", "---", "nan", "1,", `"1"`, "1 V", "0-224"} {
		s := dial(t, scpi.Config{}, Greet(), Answer(":A?", answer), Resync(""), Answer(":B?", "3"))
		if x, err := s.QueryNumber(t.Context(), ":A?"); !errors.Is(err, scpi.ErrAnswer) {
			t.Fatalf("%q: got %v, %v", answer, x, err)
		}
		wantQuery(t, s, ":B?", "3")
	}
	s := dial(t, scpi.Config{}, Greet(), Answer(":A?", "9.91E37"), Answer(":A?", "-9.9E37"), Answer(":B?", "3"))
	for range 2 { // vol. 1, 7.2.1.5: a proper answer, the connection stays in step
		if x, err := s.QueryNumber(t.Context(), ":A?"); !errors.Is(err, scpi.ErrNotMeasured) {
			t.Fatalf("got %v, %v", x, err)
		}
	}
	wantQuery(t, s, ":B?", "3")
}

func TestCancelInterruptsABlockedRead(t *testing.T) {
	for query, recovery := range map[string]Step{
		":A?":   Resync("1\n"),
		"*OPC?": Steps(Gone(), Greet()), // the instrument would hear a resync too late
	} {
		t.Run(query, func(t *testing.T) {
			asked := make(chan struct{})
			s := dial(t, scpi.Config{}, Greet(), Expect(query), Do(func() { close(asked) }), recovery, Answer(":B?", "3"))
			ctx, cancel := context.WithCancelCause(t.Context())
			stop := errors.New("operator pressed stop")
			returned := make(chan error, 1)
			go func() {
				_, err := s.Exchange(ctx, time.Hour, query)
				returned <- err
			}()
			<-asked
			cancel(stop)
			select {
			case err := <-returned:
				if !errors.Is(err, stop) {
					t.Fatalf("got %v", err)
				}
			case <-time.After(5 * time.Second):
				t.Fatal("the read goes on")
			}
			wantQuery(t, s, ":B?", "3")
		})
	}
}

func TestAbortComesFirst(t *testing.T) {
	const hello = ":ABOR;*ESR?;*CLS;*IDN?"
	first, stopFirst := stopping(t)
	second, stopSecond := stopping(t)
	s := dial(t, scpi.Config{}, Greet(), Expect(":TRAC?"), stopFirst, ResyncAfter(":ABOR;", "1\n"), Answer(":A?", "1"),
		Expect(":INIT;*OPC?"), stopSecond, Gone(), Accept(), Answer(hello, "0;"+Identity), Answer(":B?", "3"))
	s.SetAbort(":ABOR")
	if _, err := s.Query(first, ":TRAC?"); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":A?", "1")
	if _, err := s.Exchange(second, time.Hour, ":INIT", "*OPC?"); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestManyGoroutinesGetTheirOwnAnswers(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Serving(func(message string) string {
		return strings.TrimSuffix(strings.TrimPrefix(message, ":ECHO? "), "\n") + "\n"
	}))
	var all sync.WaitGroup
	for g := range 8 {
		all.Go(func() {
			for i := range 200 {
				want := fmt.Sprint(g*1000 + i)
				if got, err := s.Query(t.Context(), ":ECHO? "+want); err != nil || got != want {
					t.Errorf("got %q, %v, want %q", got, err, want)
					return
				}
			}
		})
	}
	all.Wait()
}
