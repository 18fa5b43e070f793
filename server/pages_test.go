package server

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

func newTestServer(t *testing.T, s *seeded) *Server {
	t.Helper()
	srv, err := New(Options{Pool: s.pool, Version: "v0-test"})
	if err != nil {
		t.Fatal(err)
	}
	return srv
}

// get answers one request without a network.
func get(t *testing.T, h http.Handler, path string) (int, http.Header, string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
	body, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Code, w.Header(), string(body)
}

func TestPagesShowWhatIsStored(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	for path, want := range map[string][]string{
		"/": {"bench-1", "T4-0003", "build 2.5.0", "n78 T 3.75 GHz, NR-FR1-TM1.1, connector 1", "case 4 of 48", "F2-0002",
			"could not be confirmed off", "waiting for a look at slot 1", "due 2097-01-31", "lab-pc-1"},
		"/campaigns":                                {"night 2.4.0", "night 2.5.0", "active", "done"},
		"/campaigns/" + s.new.String():              {"T4-0002", "fail", "error", "queued", "Cancel this campaign", "6.6.3", "5f0c2c1e6a7b"},
		"/runs/" + s.runs["2.5.0 T4-0002"].String(): {"5f0c2c1e6a7b8d9e", "C-1001", "v0-test", "adjacent channel leakage ratio", "fail", "data-case"},
		"/runs/" + s.runs["2.5.0 F2-0001"].String(): {"the analyzer did not answer", "check that the analyzer is switched on", "error"},
		"/runs/" + s.runs["2.5.0 F2-0002"].String(): {"queued", "No case is stored yet"},
		"/yield": {"95 % Wilson intervals", "2.4.0", "2.5.0", "What got worse from build 2.4.0 to 2.5.0", "T4-0002", "50.0 %",
			"How sure that is", "1 of 2 units passed before and fail now: look at each", "−50.0</strong>", "too few units"},
	} {
		status, header, body := get(t, h, path)
		if status != http.StatusOK {
			t.Errorf("%s: status %d, want 200", path, status)
		}
		for _, text := range append(want, "Simulated: no figure here", "UTC", "<!doctype html>") {
			if !strings.Contains(body, text) {
				t.Errorf("%s lacks %q", path, text)
			}
		}
		if csp := header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: content security policy %q", path, csp)
		}
	}
}
