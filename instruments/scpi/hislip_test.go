package scpi_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/scpi/hislip"
	. "benchyard/instruments/scpi/scpitest"
)

// dialHiSLIP starts the script over HiSLIP and opens a session to it.
func dialHiSLIP(t *testing.T, config scpi.Config, steps ...Step) *scpi.Session {
	t.Helper()
	return dialAt(t, ServeHiSLIP(t, steps...), config)
}

func dialAt(t *testing.T, r scpi.Resource, config scpi.Config) *scpi.Session {
	t.Helper()
	s, err := scpi.Dial(t.Context(), r, config)
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

func TestHiSLIPAnswersOfEveryShape(t *testing.T) {
	long := strings.Repeat(":FREQ 1E9;", 12) + ":A?" // the script takes 100 bytes at once
	s := dialHiSLIP(t, scpi.Config{}, Greet(), Answer(":A?", "1\r"), Answer(":B?", "#15a\nb\nc"), Answer(":C?", "#0\x00\n\xff;"),
		Answer(long, "2"), Command(":OUTP OFF"), Expect(":D?"), Send("3"), Answer(":E?", "1\n2"), Cleared(""))
	wantQuery(t, s, ":A?", "1")
	if b, err := s.QueryBlock(t.Context(), ":B?"); err != nil || string(b) != "a\nb\nc" {
		t.Errorf("block: got %q, %v", b, err)
	}
	if b, err := s.QueryBlock(t.Context(), ":C?"); err != nil || string(b) != "\x00\n\xff;" { // 488.2 7.7.6: it ends with the message
		t.Errorf("block of indefinite length: got %q, %v", b, err)
	}
	if got, err := s.Exchange(t.Context(), 0, strings.Split(long, ";")...); err != nil || len(got) != 1 || string(got[0]) != "2" {
		t.Errorf("long message: got %q, %v", got, err)
	}
	if err := s.Command(t.Context(), ":OUTP OFF"); err != nil {
		t.Error(err)
	}
	wantQuery(t, s, ":D?", "3") // END without a line feed
	if x, err := s.Query(t.Context(), ":E?"); !errors.Is(err, scpi.ErrAnswer) {
		t.Errorf("two answers in one response: got %q, %v", x, err)
	}
	if err := s.Ready(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestHiSLIPKnowsStaleAnswersByTheirNumber(t *testing.T) {
	s := dialHiSLIP(t, scpi.Config{}, Greet(), Answer(":A?", "1"),
		Expect(":B?"), Respond(hislip.DataEnd, 1, "1\n"), Respond(hislip.Data, 1, "1;"), Respond(hislip.Data, 0, "3"), Respond(hislip.DataEnd, 0, "3\n"),
		Expect(":C?"), Frame(hislip.Header{Type: hislip.Data, Parameter: hislip.AnyMessage}, "1;"), Respond(hislip.DataEnd, 1, "1\n"), Send("4\n"))
	wantQuery(t, s, ":A?", "1")
	wantQuery(t, s, ":B?", "33")
	wantQuery(t, s, ":C?", "4") // the number of its end decides what a part without number belongs to
}

func TestHiSLIPGivesUpAnExchangeButNotTheConnection(t *testing.T) {
	for name, under := range map[string]Step{
		"no answer":     Steps(),
		"half a block":  Respond(hislip.Data, 0, "#3900ab\n"),
		"half a string": Respond(hislip.Data, 0, `"1`),
	} {
		t.Run(name, func(t *testing.T) {
			ctx, stop := stopping(t)
			s := dialHiSLIP(t, scpi.Config{}, Greet(), Expect("*OPC?"), under, stop, Cleared(":ABOR"), Answer(":B?", "3"))
			s.SetAbort(":ABOR")
			before := s.Generation()
			if err := s.Wait(ctx, time.Hour); !errors.Is(err, context.Canceled) || scpi.SafeToRetry(err) {
				t.Fatalf("got %v", err)
			}
			wantQuery(t, s, ":B?", "3") // the clear reaches an instrument that waits for itself
			if s.Generation() != before {
				t.Error("the connection was opened anew")
			}
		})
	}
}

func TestHiSLIPLateAnswersAreCleared(t *testing.T) {
	ctx, stop := stopping(t)
	s := dialHiSLIP(t, scpi.Config{}, Greet(), Expect(":A?"), stop, Cleared("", "1\n"), Answer(":B?", "3"))
	if _, err := s.Query(ctx, ":A?"); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3")
}

func TestHiSLIPTimeout(t *testing.T) {
	s := dialHiSLIP(t, scpi.Config{Timeout: 300 * time.Millisecond}, Greet(), Expect(":A?"), Gone(), Greet(), Answer(":B?", "3"))
	if _, err := s.Query(t.Context(), ":A?"); !errors.Is(err, scpi.ErrTimeout) {
		t.Fatalf("got %v", err)
	}
	wantQuery(t, s, ":B?", "3") // no device clear either: a new connection
}

func TestHiSLIPStatusByteWhileBusy(t *testing.T) {
	asked, done := make(chan struct{}), make(chan struct{})
	requests := make(chan byte, 1)
	s := dialHiSLIP(t, scpi.Config{ServiceRequest: func(status byte) { requests <- status }}, Greet(),
		Expect("*OPC?"), Do(func() { close(asked) }),
		AsyncExpect(hislip.AsyncStatusQuery), AsyncFrame(hislip.Header{Type: hislip.AsyncStatusResponse, Control: 0x84}, ""),
		AsyncFrame(hislip.Header{Type: hislip.AsyncServiceRequest, Control: 0x60}, ""), Await(done), Send("1\n"))
	waited := make(chan error, 1)
	go func() { waited <- s.Wait(t.Context(), time.Hour) }()
	<-asked
	status, err := s.StatusByte(t.Context())
	if err != nil || status != scpi.StatusOperation|scpi.StatusErrors {
		t.Errorf("got %#x, %v", status, err)
	}
	if status := <-requests; status != scpi.StatusService|scpi.StatusEvents {
		t.Errorf("service request with %#x", status)
	}
	close(done)
	if err := <-waited; err != nil {
		t.Error(err)
	}
}

func TestStatusByteOfASocket(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet(), Answer("*STB?", "36"), Answer("*STB?", "256"), Resync(""))
	if status, err := s.StatusByte(t.Context()); err != nil || status != scpi.StatusEvents|scpi.StatusErrors {
		t.Errorf("got %#x, %v", status, err)
	}
	if status, err := s.StatusByte(t.Context()); !errors.Is(err, scpi.ErrAnswer) {
		t.Errorf("got %#x, %v", status, err)
	}
	_ = s.Ready(t.Context())
}

// IVI-6.1: what was sent before an interruption is void, and nothing may be sent
// before both channels have told it.
func TestHiSLIPInterrupted(t *testing.T) {
	void := Respond(hislip.Data, 0, "void;")
	s := dialHiSLIP(t, scpi.Config{}, Greet(),
		Expect(":A?"), void, Frame(hislip.Header{Type: hislip.Interrupted}, ""), AsyncFrame(hislip.Header{Type: hislip.AsyncInterrupted}, ""), Send("2\n"),
		Expect(":B?"), AsyncFrame(hislip.Header{Type: hislip.AsyncInterrupted}, ""), void, Frame(hislip.Header{Type: hislip.Interrupted}, ""), Send("3\n"),
		Expect(":C?"), Frame(hislip.Header{Type: hislip.Interrupted}, ""), Send("4\n"),
		Cleared(""), Answer(":D?", "5"))
	wantQuery(t, s, ":A?", "2")
	wantQuery(t, s, ":B?", "3")
	wantQuery(t, s, ":C?", "4")
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := s.Query(ctx, ":D?"); !errors.Is(err, context.DeadlineExceeded) || !scpi.SafeToRetry(err) {
		t.Errorf("sent before the other channel told: %v", err)
	}
	wantQuery(t, s, ":D?", "5")
}

func TestHiSLIPFailures(t *testing.T) {
	failure := func(fatal bool) Step {
		typ := map[bool]hislip.MessageType{true: hislip.FatalError, false: hislip.Error}[fatal]
		return Frame(hislip.Header{Type: typ, Control: hislip.ErrorTooLarge}, "too much")
	}
	for name, tt := range map[string]struct{ fails, recovery Step }{
		"error":             {failure(false), Cleared("")},
		"fatal error":       {failure(true), Steps(Gone(), Greet())},
		"no frame":          {Raw("HTTP/1.1 400 Bad Request\r\n"), Steps(Gone(), Greet())},
		"unknown message":   {Frame(hislip.Header{Type: 200}, "x"), Steps(Gone(), Greet())},
		"fatal error aside": {AsyncFrame(hislip.Header{Type: hislip.FatalError, Control: hislip.FatalChannels}, "x"), Steps(Gone(), Greet())},
		"too long":          {Frame(hislip.Header{Type: hislip.Data, Parameter: hislip.FirstMessage + 2}, strings.Repeat("7", 300)), Cleared("")},
		"closed":            {Close(), Greet()},
		"reset":             {Reset(), Greet()},
	} {
		t.Run(name, func(t *testing.T) {
			s := dialHiSLIP(t, scpi.Config{MaxBlock: 250}, Greet(), Expect(":A?"), tt.fails, tt.recovery, Answer(":B?", "3"))
			x, err := s.Query(t.Context(), ":A?")
			var reported *hislip.Failure
			if err == nil || scpi.SafeToRetry(err) || strings.Contains(name, "error") && !errors.As(err, &reported) {
				t.Fatalf("got %q, %v", x, err)
			}
			wantQuery(t, s, ":B?", "3")
		})
	}
}

func TestHiSLIPDialFailures(t *testing.T) {
	for name, tt := range map[string]struct {
		script Step
		want   func(error) bool
	}{
		"no HiSLIP": {Steps(Accept(), Send("Welcome to this instrument, please log in\r\n"), Gone()),
			func(err error) bool { return errors.Is(err, hislip.ErrHeader) }},
		"refused": {Steps(Accept(), Send(string(hislip.AppendMessage(nil, hislip.Header{Type: hislip.FatalError, Control: hislip.FatalClients}, []byte("full")))), Gone()),
			func(err error) bool {
				var f *hislip.Failure
				return errors.As(err, &f) && f.Fatal && f.Code == hislip.FatalClients
			}},
		"silent": {Steps(Accept(), Gone()), func(err error) bool { return errors.Is(err, context.DeadlineExceeded) }},
	} {
		t.Run(name, func(t *testing.T) {
			r := Serve(t, tt.script)
			r.HiSLIP = "hislip0"
			if _, err := scpi.Dial(t.Context(), r, scpi.Config{Timeout: 200 * time.Millisecond}); err == nil || !tt.want(err) || !scpi.SafeToRetry(err) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestHiSLIPPipeline(t *testing.T) {
	queries := make([]string, 20)
	for i := range queries {
		queries[i] = fmt.Sprintf(":ECHO? %d", i)
	}
	greeting := Answer("*ESR?;*CLS;*IDN?", "0;"+Identity)
	for name, r := range map[string]scpi.Resource{
		"synchronized": ServeHiSLIP(t, Accept(), DeviceClear(), greeting, Serving(echoing())), // asked for the other mode it clears, and grants it not
		"overlapped":   ServeOverlapped(t, Accept(), greeting, Serving(echoing())),
	} {
		t.Run(name, func(t *testing.T) {
			s := dialAt(t, r, scpi.Config{Overlapped: true})
			got, err := s.Pipeline(t.Context(), queries...)
			if err != nil || strings.Join(got, ",") != "0,1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19" {
				t.Errorf("got %q, %v", got, err)
			}
		})
	}
}
