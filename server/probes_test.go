package server

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"benchyard/jobs/watch"
)

func TestProbesOfAServer(t *testing.T) {
	s := seed(t)
	figures := prometheus.NewRegistry()
	watch.New(figures).LeaseTaken("bench-9", true)
	server, err := New(Options{Pool: s.pool, Figures: figures})
	if err != nil {
		t.Fatal(err)
	}
	h := server.Handler()
	for path, want := range map[string]string{
		"/health": "running", "/ready": "ready",
		// Text format 0.0.4: https://prometheus.io/docs/instrumenting/exposition_formats/
		"/metrics": `benchyard_leases_taken_total{bench="bench-9",takeover="yes"} 1`,
	} {
		if code, header, body := get(t, h, path); code != http.StatusOK || !strings.HasPrefix(header.Get("Content-Type"), "text/plain") || !strings.Contains(body, want) {
			t.Errorf("%s: %d %s: %.200s", path, code, header.Get("Content-Type"), body)
		}
	}
	_, _, body := get(t, h, "/metrics")
	for _, want := range []string{`benchyard_queue_runs{bench="`, "benchyard_database_readable 1"} {
		if !strings.Contains(body, want) {
			t.Errorf("/metrics lacks %s", want)
		}
	}
	s.pool.Close()
	for path, want := range map[string]int{"/health": http.StatusOK, "/metrics": http.StatusOK, "/ready": http.StatusServiceUnavailable} {
		if path == "/ready" { // an answer is given again for a second
			server.probes.asked = server.probes.asked.Add(-2 * probeEvery)
		}
		if code, _, body := get(t, h, path); code != want {
			t.Errorf("%s without a database: %d %.200s", path, code, body)
		}
	}
}

func TestProbesAlone(t *testing.T) {
	asked, answer := 0, error(nil)
	p := NewProbes(prometheus.NewRegistry(), func(context.Context) error { asked++; return answer })
	if code, _, _ := get(t, p, "/ready"); code != http.StatusOK {
		t.Errorf("ready: %d", code)
	}
	answer = errors.New("the database is away")
	if code, _, _ := get(t, p, "/ready"); code != http.StatusOK || asked != 1 {
		t.Errorf("asked again at once: %d, %d times", code, asked)
	}
	p.asked = p.asked.Add(-2 * probeEvery)
	if code, _, body := get(t, p, "/ready"); code != http.StatusServiceUnavailable || !strings.Contains(body, "the database is away") {
		t.Errorf("not ready: %d %s", code, body)
	}
	if code, _, _ := get(t, p, "/else"); code != http.StatusNotFound {
		t.Errorf("another path: %d", code)
	}
	w := httptest.NewRecorder()
	p.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/health", nil))
	if w.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", w.Code)
	}
}
