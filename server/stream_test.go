package server

import (
	"bufio"
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"benchyard/server/api"
)

// message is one server-sent event as it came over the wire.
type message struct{ event, id, data string }

// listenTo opens a stream and returns its messages; the channel closes when the
// stream ends.
func listenTo(t *testing.T, url string, header http.Header) <-chan message {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header = header
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	if kind := response.Header.Get("Content-Type"); response.StatusCode != http.StatusOK || kind != "text/event-stream" {
		t.Fatalf("%s: status %d, content type %q", url, response.StatusCode, kind)
	}
	messages := make(chan message)
	go func() {
		defer close(messages)
		defer response.Body.Close()
		var m message
		for lines := bufio.NewScanner(response.Body); lines.Scan(); {
			name, text, _ := strings.Cut(lines.Text(), ": ")
			switch name {
			case "event":
				m.event = text
			case "id":
				m.id = text
			case "data":
				m.data += text
			case "":
				if m.event == "" {
					m = message{} // a comment
					continue
				}
				select {
				case messages <- m:
				case <-t.Context().Done():
					return
				}
				m = message{}
			}
		}
	}()
	return messages
}

// await returns the next message, or fails when there is none for long.
func await(t *testing.T, messages <-chan message) message {
	t.Helper()
	select {
	case m, open := <-messages:
		if !open {
			t.Fatal("the stream ended")
		}
		return m
	case <-time.After(20 * time.Second):
		t.Fatal("nothing came for 20 s")
	}
	return message{}
}

func TestBoardFollowsTheBenches(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	messages := listenTo(t, address+streamURL("board", nil, 1), nil)
	s.exec(t, `UPDATE bench SET doing = 'sweep 4 of 7 of 6.6.4' WHERE name = 'bench-1'`)
	s.exec(t, `INSERT INTO event (kind, bench) VALUES ('bench', 'bench-1')`)
	for {
		m := await(t, messages)
		if m.event == "bench-bench-1" && strings.Contains(m.data, "sweep 4 of 7") {
			if m.id != "" && m.id != "2" || strings.Contains(m.data, "<script") {
				t.Errorf("message %+v", m)
			}
			break
		}
	}
}

func TestRunPageFollowsItsRunOnly(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	run := s.runs["2.5.0 T4-0003"]
	messages := listenTo(t, address+streamURL("run", url.Values{"id": {run.String()}, "show": {showAll}}, 1), nil)
	s.exec(t, `INSERT INTO event (kind, run_id) VALUES ('run', $1)`, s.runs["2.5.0 F2-0002"])
	s.exec(t, `UPDATE run SET state = 'error', error = 'stopped here', finished_at = now() WHERE id = $1`, run)
	s.exec(t, `INSERT INTO event (kind, run_id) VALUES ('run', $1)`, run)
	if m := await(t, messages); m.event != "run-state" || m.id != "3" || !strings.Contains(m.data, "stopped here") {
		t.Errorf("first message %+v", m)
	}
	// The cases did not change, and the page has them already.
	s.exec(t, `UPDATE measured_case SET test_model = 'NR-FR1-TM3.1' WHERE run_id = $1 AND clause = '6.2'`, run)
	s.exec(t, `INSERT INTO event (kind, run_id) VALUES ('run', $1)`, run)
	for {
		m := await(t, messages)
		if m.event == "run-cases" {
			if !strings.Contains(m.data, `show=all" aria-current`) {
				t.Errorf("the stream forgot what the page shows: %.400s", m.data)
			}
			break
		}
	}
}

func TestStreamResumesWhereTheReaderStood(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	for range 3 {
		s.exec(t, `INSERT INTO event (kind, campaign_id) VALUES ('run', $1)`, s.new)
	}
	s.exec(t, `INSERT INTO event (kind, campaign_id) VALUES ('run', $1)`, s.old)
	all := listenTo(t, address+"/api/v1/events", nil)
	first := await(t, all)
	second := await(t, all)
	rest := listenTo(t, address+"/api/v1/events?campaign="+s.new.String(), http.Header{"Last-Event-Id": {second.id}})
	if m := await(t, rest); m.id != "3" || !strings.Contains(m.data, s.new.String()) {
		t.Errorf("after %s and %s the stream resumed with %+v", first.id, second.id, m)
	}
}

func TestStreamsEndWhenTheServerStops(t *testing.T) {
	s := seed(t)
	srv := newTestServer(t, s)
	messages := listenTo(t, serve(t, srv)+"/api/v1/events?after=1000", nil)
	srv.stop()
	select {
	case _, open := <-messages:
		if open {
			t.Error("a message came from a stream that should end")
		}
	case <-time.After(20 * time.Second):
		t.Error("the stream is still open 20 s after the stop")
	}
}

func TestClientWatchesEvents(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	s.exec(t, `INSERT INTO event (kind, campaign_id, run_id, bench, body) VALUES ('run', $1, $2, 'bench-1', '{"state": "done"}')`, s.new, s.runs["2.5.0 T4-0001"])
	enough := errors.New("enough")
	var got api.Event
	err = client.Events(t.Context(), s.new.String(), 0, func(e api.Event) error { got = e; return enough })
	if !errors.Is(err, enough) {
		t.Fatal(err)
	}
	if got.Kind != "run" || got.Bench != "bench-1" || got.RunID != s.runs["2.5.0 T4-0001"].String() || string(got.Body) != `{"state":"done"}` {
		t.Errorf("event %+v with body %s", got, got.Body)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := client.Events(ended, "", 0, func(api.Event) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("watching with an ended context gives %v", err)
	}
}

func TestBellWakesEveryWaiter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBell()
		woken := make(chan int, 3)
		for i := range 3 {
			wait := b.next()
			go func() { <-wait; woken <- i }()
		}
		synctest.Wait()
		if len(woken) != 0 {
			t.Fatalf("%d waiters woke before the bell rang", len(woken))
		}
		b.ring()
		synctest.Wait()
		if len(woken) != 3 {
			t.Errorf("%d of 3 waiters woke", len(woken))
		}
	})
}

func TestMessagesAreWholeWhateverTheyHold(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	s.exec(t, `UPDATE bench SET doing = E'one\nevent: forged\nid: 99\n\ndata: <b>two</b>' WHERE name = 'bench-1'`)
	s.exec(t, `INSERT INTO event (kind, bench) VALUES ('bench', 'bench-1')`)
	messages := listenTo(t, address+streamURL("board", nil, 0), nil)
	for seen := false; !seen; {
		m := await(t, messages)
		if m.event == "forged" || m.id == "99" || strings.Contains(m.data, "<b>two") {
			t.Fatalf("text from the database forged a message: %+v", m)
		}
		seen = m.event == "bench-bench-1"
	}
}
