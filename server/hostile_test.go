package server

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"benchyard/server/api"
)

func TestQuestionsThatMeanNothingAreRefused(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	id := s.caseID(t, "T4-0002", "6.6.4")
	for path, want := range map[string]int{
		"/api/v1/results?serial=%00":                               400, // no text in PostgreSQL holds it
		"/api/v1/results?serial=%ff":                               400,
		"/yield?a=%00&b=2.5.0":                                     400,
		"/api/v1/results?verdict=failed":                           400, // an empty list would read "nothing failed"
		"/api/v1/results?clause=6.6.9":                             400,
		"/api/v1/results?run=urn:uuid:" + s.new.String():           400,
		"/api/v1/campaigns/{" + s.new.String() + "}":               404,
		"/api/v1/events?campaign=night":                            400,
		"/api/v1/yield?a=2.4.0":                                    400,
		"/api/v1/cases/" + id + "/traces/1?levels=antenna":         400,
		"/api/v1/cases/" + id + "/traces/1?columns=0":              400,
		"/api/v1/cases/" + id + "/traces/1?columns=-1":             400,
		"/api/v1/cases/" + id + "/traces/1?columns=1000000000":     400,
		"/api/v1/cases/99999999999999999999":                       404,
		"/runs/" + strings.Repeat("a", 100_000):                    404,
		"/assets/":                                                 404,
		"/assets/.":                                                404,
		"/assets/manifest.json":                                    404,
		"/assets/..%2f..%2fweb.go":                                 404,
		"/assets/%2e%2e/%2e%2e/web.go":                             404,
		"/campaigns/" + s.new.String() + "/cancel":                 405,
		"/api/v1/campaigns/" + s.new.String() + "/cancel":          405,
		"/?" + strings.Repeat("x", 100_000):                        200,
		"/runs/" + s.runs["2.5.0 T4-0002"].String() + "?show=%3Cb": 200,
	} {
		status, header, body := get(t, h, path)
		if status != want {
			t.Errorf("%.90s: status %d, want %d", path, status, want)
		}
		if status != 200 && strings.HasPrefix(path, "/api/") != (header.Get("Content-Type") == api.ProblemType) {
			t.Errorf("%.90s: content type %q", path, header.Get("Content-Type"))
		}
		if strings.Contains(body, "<b") && strings.Contains(body, "show=<b") || strings.Contains(header.Get("Cache-Control"), "immutable") {
			t.Errorf("%.90s: markup went through, or a refusal may be kept: %v", path, header)
		}
	}
}

func TestHeadAnswersAsGetDoes(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	for path, want := range map[string]int{"/": 200, "/api/v1/benches": 200, "/runs/x": 404, "/events": 405, "/api/v1/events": 405} {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodHead, address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		response.Body.Close()
		if response.StatusCode != want || response.Header.Get("Content-Security-Policy") == "" {
			t.Errorf("HEAD %s: status %d, want %d; headers %v", path, response.StatusCode, want, response.Header)
		}
	}
}

func TestForeignPagesAreRefusedInWords(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	for path, kind := range map[string]string{
		"/api/v1/campaigns": api.ProblemType, "/campaigns/" + s.new.String() + "/cancel": "text/html; charset=UTF-8",
	} {
		for name, value := range map[string]string{"Origin": "https://elsewhere.example", "Sec-Fetch-Site": "same-site"} {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, path, strings.NewReader("{}"))
			r.Header.Set(name, value)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != http.StatusForbidden || w.Header().Get("Content-Type") != kind || !strings.Contains(w.Body.String(), "another site") {
				t.Errorf("%s with %s: status %d, headers %v: %.200s", path, name, w.Code, w.Header(), w.Body)
			}
		}
	}
}

func TestSubmittedNamesAreText(t *testing.T) {
	s := seed(t)
	srv, err := New(Options{Pool: s.pool, TrustNetwork: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, body := range []string{`{"name": "a\u0000b"}`, `{"units": ["T4\n0001"]}`, `{"requested_by": "\u001b[2J"}`} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/api/v1/campaigns", strings.NewReader(body))
		w := httptest.NewRecorder()
		srv.Handler().ServeHTTP(w, r)
		if w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "control characters") {
			t.Errorf("%s: status %d: %s", body, w.Code, w.Body)
		}
	}
}

func TestManyStreamsLeaveNothingBehind(t *testing.T) {
	s := seed(t)
	srv := newTestServer(t, s)
	address := serve(t, srv)
	before := runtime.NumGoroutine()
	client := &http.Client{Transport: &http.Transport{}}
	ctx, drop := context.WithCancel(t.Context())
	defer drop()
	for range 200 {
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, address+streamURL("board", nil, 0), nil)
		if err != nil {
			t.Fatal(err)
		}
		response, err := client.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		if _, err := io.ReadFull(response.Body, make([]byte, 8)); err != nil {
			t.Fatal(err)
		}
	}
	drop()
	poll := time.NewTicker(10 * time.Millisecond)
	defer poll.Stop()
	for deadline := time.Now().Add(20 * time.Second); ; <-poll.C {
		srv.renderings.mu.Lock()
		watched := len(srv.renderings.pages)
		srv.renderings.mu.Unlock()
		// The pool may have opened connections meanwhile; each has one goroutine at most.
		if runtime.NumGoroutine() <= before+int(srv.pool.Config().MaxConns) && watched == 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d goroutines and %d pages watched after 200 streams were dropped; before there were %d", runtime.NumGoroutine(), watched, before)
		}
	}
}

func TestStreamOfAnotherDatabaseStartsAnew(t *testing.T) {
	s := seed(t)
	address := serve(t, newTestServer(t, s))
	s.exec(t, `INSERT INTO event (kind, bench) VALUES ('bench', 'bench-1')`)
	messages := listenTo(t, address+streamURL("board", nil, 5), http.Header{"Last-Event-Id": {"9223372036854775807"}})
	if m := await(t, messages); m.id != "" || m.event != "queue" {
		t.Errorf("first message %+v, want the queue, without the id that the last one carries", m)
	}
	for m := await(t, messages); m.id != "2"; m = await(t, messages) {
		if m.id != "" {
			t.Fatalf("message %+v, want the fragments as of event 2", m)
		}
	}
}

func TestStreamsOfOnePageShareItsRendering(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		all := newRenderings()
		page, leave := all.watch("page=board")
		same, leaveSame := all.watch("page=board")
		if same != page {
			t.Fatal("two streams of one page have renderings of their own")
		}
		made := 0
		render := func(context.Context) ([]fragment, error) {
			time.Sleep(settle / 3) // of the bubble's clock: rendering takes time
			made++
			return []fragment{{Name: "queue"}}, nil
		}
		for range 50 {
			go func() {
				if got, err := page.upTo(t.Context(), 7, render); err != nil || len(got) != 1 {
					t.Errorf("%v, %v", got, err)
				}
			}()
		}
		time.Sleep(settle / 2)
		synctest.Wait()
		if made != 1 {
			t.Errorf("50 streams rendered the page %d times, want once", made)
		}
		if _, err := page.upTo(t.Context(), 8, render); err != nil || made != 2 {
			t.Errorf("a newer event: rendered %d times, want 2: %v", made, err)
		}
		time.Sleep(2 * settle)
		if _, err := page.upTo(t.Context(), 8, render); err != nil || made != 3 {
			t.Errorf("an old rendering was shown again: %d, %v", made, err)
		}
		leave()
		leaveSame()
		if len(all.pages) != 0 {
			t.Errorf("%d renderings are kept for nobody", len(all.pages))
		}
	})
}
