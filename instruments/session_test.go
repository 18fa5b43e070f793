package instruments_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments"
	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
)

// traffic is a transcript of directions and messages.
type traffic struct {
	mu    sync.Mutex
	lines []string
}

func (r *traffic) Record(direction string, message []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.lines = append(r.lines, direction+" "+string(message))
}

// between returns what was recorded after the last call, up to a message that
// starts so.
func (r *traffic) between(until string) []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	end := slices.IndexFunc(r.lines, func(l string) bool { return strings.HasPrefix(l, until) })
	if end < 0 {
		end = len(r.lines)
	}
	before := r.lines[:end]
	r.lines = nil
	return before
}

// A whole analyzer state is set and read back with one wait for an answer.
func TestOneAnalyzerStateIsOneRoundTrip(t *testing.T) {
	lab := start(t, 2000)
	var seen traffic
	a := driver[*analyzer.Analyzer](t, lab, "bench-1-analyzer", instruments.Analyzer, scpi.Config{Transcript: &seen})
	do(t, a.Prepare)
	seen.between("never")
	if _, err := a.Sweep(t.Context(), around); err != nil {
		t.Fatal(err)
	}
	setUp := seen.between("sent :ABOR")
	answers := 0
	for _, line := range setUp {
		if strings.HasPrefix(line, scpi.Received) {
			answers++
		}
	}
	if answers != 1 || !strings.HasPrefix(setUp[len(setUp)-1], scpi.Received) {
		t.Errorf("%d waits for answers in\n%s", answers, strings.Join(setUp, "\n"))
	}
}

// session opens a session to an instrument of the lab over HiSLIP.
func session(t *testing.T, lab *sim.Lab, name string, config scpi.Config) *scpi.Session {
	t.Helper()
	text, err := lab.HiSLIP(name)
	if err != nil {
		t.Fatal(err)
	}
	resource, err := scpi.ParseResource(text)
	if err != nil {
		t.Fatal(err)
	}
	s, err := scpi.Dial(t.Context(), resource, config)
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

func TestHiSLIPOnTheSimulator(t *testing.T) {
	lab := start(t, 1)
	s := session(t, lab, "bench-1-analyzer", scpi.Config{Timeout: 5 * time.Second})
	s.SetAbort(":ABOR")
	if got, err := s.Batch(t.Context(), "*ESE?", "*IDN?", "*OPC?"); err != nil || got[0] != "0" || got[2] != "1" {
		t.Fatalf("got %q, %v", got, err)
	}
	if err := s.Command(t.Context(), ":INIT:CONT OFF", ":SWE:TIME 1000", "*SRE 0"); err != nil {
		t.Fatal(err)
	}
	before := s.Generation()
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if err := s.Wait(ctx, time.Hour, ":INIT"); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("a sweep of 1000 s: got %v", err)
	}
	if err := s.Wait(t.Context(), 2*time.Second); err != nil {
		t.Errorf("after the device clear: %v", err)
	}
	if s.Generation() != before {
		t.Error("the connection was opened anew: the device clear did not reach the instrument")
	}
	if status, err := s.StatusByte(t.Context()); err != nil || status&scpi.StatusErrors != 0 {
		t.Errorf("status byte %#x, %v", status, err)
	}
}

func TestServiceRequestOnTheSimulator(t *testing.T) {
	requests := make(chan byte, 4)
	s := session(t, start(t, 2000), "bench-1-analyzer", scpi.Config{ServiceRequest: func(status byte) { requests <- status }})
	if _, err := s.Exchange(t.Context(), 0, "*SRE 4", ":NO:SUCH:HEADER"); err != nil {
		t.Fatal(err)
	}
	select {
	case status := <-requests: // bit 2, an error is queued, and bit 6, which asks for service
		if status&(scpi.StatusErrors|scpi.StatusService) != scpi.StatusErrors|scpi.StatusService {
			t.Errorf("status byte %#x", status)
		}
	case <-time.After(10 * time.Second):
		t.Error("no service request for an error")
	}
	if queued, err := s.DrainErrors(t.Context()); err != nil || len(queued) != 1 || queued[0].Number != -113 {
		t.Errorf("got %v, %v", queued, err)
	}
}

func TestPipelineOnTheSimulator(t *testing.T) {
	lab := start(t, 2000)
	var queries []string
	for range 10 {
		queries = append(queries, ":FREQ:STAR?", ":SWE:POIN?")
	}
	resource, err := lab.Resource("bench-1-analyzer")
	if err != nil {
		t.Fatal(err)
	}
	where, err := scpi.ParseResource(resource)
	if err != nil {
		t.Fatal(err)
	}
	socket, err := scpi.Dial(t.Context(), where, scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	want, err := socket.Batch(t.Context(), queries...)
	if err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]*scpi.Session{
		"socket":       socket,
		"synchronized": session(t, lab, "bench-1-analyzer", scpi.Config{}),
		"overlapped":   session(t, lab, "bench-1-analyzer", scpi.Config{Overlapped: true}),
	} {
		if got, err := s.Pipeline(t.Context(), queries...); err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: got %q, %v, want %q", name, got, err, want)
		}
	}
}

// A dialect asks for the overlapped mode, in which answers queue up.
func TestDialectAsksForOverlappedMode(t *testing.T) {
	lab := start(t, 2000)
	resource, err := lab.HiSLIP("bench-1-supply")
	if err != nil {
		t.Fatal(err)
	}
	for document, want := range map[string]bool{
		"{name: own, role: supply, inherits: SCPI-1999, session: {hislip_overlapped: true}}": true,
		"{name: own, role: supply, inherits: SCPI-1999}":                                     false,
	} {
		table, err := dialect.Parse("own.yaml", []byte(document))
		if err != nil {
			t.Fatal(err)
		}
		i, err := instruments.Open(t.Context(), instruments.Supply, resource, "", scpi.Config{}, table)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := i.Session().(*scpi.Session).Pipelines(t.Context()); got != want || err != nil {
			t.Errorf("%s: pipelining %v, %v", document, got, err)
		}
		if err := i.Close(); err != nil {
			t.Error(err)
		}
	}
}
