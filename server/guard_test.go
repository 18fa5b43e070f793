package server

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"benchyard/jobs/postgres"
)

// post sends an empty form as it would arrive on the local address.
func post(t *testing.T, h http.Handler, path, host, local string, header map[string]string) int {
	t.Helper()
	address, err := net.ResolveTCPAddr("tcp", local)
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, path, strings.NewReader(""))
	r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(address)))
	r.Host = host
	for k, v := range header {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Code
}

func TestChangesAreAcceptedOverLoopbackOnly(t *testing.T) {
	s := seed(t)
	closed, err := New(Options{Pool: s.pool})
	if err != nil {
		t.Fatal(err)
	}
	open, err := New(Options{Pool: s.pool, TrustNetwork: true})
	if err != nil {
		t.Fatal(err)
	}
	path := "/campaigns/" + s.new.String() + "/cancel"
	crossSite := map[string]string{"Sec-Fetch-Site": "cross-site"}
	for _, c := range []struct {
		what        string
		server      *Server
		host, local string
		header      map[string]string
		want        int
	}{
		{"another machine", closed, "10.0.0.5:8080", "10.0.0.5:8080", nil, http.StatusForbidden},
		{"a foreign name that points here", closed, "evil.example:8080", "127.0.0.1:8080", nil, http.StatusForbidden},
		{"a page of another site", closed, "127.0.0.1:8080", "127.0.0.1:8080", crossSite, http.StatusForbidden},
		{"a page of another site, trusted network", open, "10.0.0.5:8080", "10.0.0.5:8080", crossSite, http.StatusForbidden},
		{"the same machine", closed, "localhost:8080", "127.0.0.1:8080", nil, http.StatusSeeOther},
		{"the same machine, IPv6", closed, "[::1]:8080", "[::1]:8080", nil, http.StatusSeeOther},
		{"a trusted network", open, "10.0.0.5:8080", "10.0.0.5:8080", nil, http.StatusSeeOther},
	} {
		if got := post(t, c.server.Handler(), path, c.host, c.local, c.header); got != c.want {
			t.Errorf("%s: status %d, want %d", c.what, got, c.want)
		}
		refused := c.want == http.StatusForbidden
		var open int
		if err := s.pool.QueryRow(t.Context(), "SELECT count(*) FROM campaign WHERE id = $1 AND cancelled_at IS NULL", s.new).Scan(&open); err != nil {
			t.Fatal(err)
		}
		if refused != (open == 1) {
			t.Errorf("%s: the campaign is open: %v", c.what, open == 1)
		}
	}
}

func TestBodiesAreBounded(t *testing.T) {
	srv, err := New(Options{Pool: postgres.Test(t), TrustNetwork: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, length := range []int64{5 << 20, -1} { // said before, or found out while reading
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/api/v1/campaigns", strings.NewReader(`{"plan": "`+strings.Repeat("x", 5<<20)+`"}`))
		r.ContentLength = length
		w := httptest.NewRecorder()
		srv.Handler().ServeHTTP(w, r)
		if w.Code != http.StatusRequestEntityTooLarge || !strings.Contains(w.Body.String(), "smaller plan") {
			t.Errorf("a body of 5 MB, its length given as %d, gives status %d, want 413: %s", length, w.Code, w.Body)
		}
	}
}

func TestEveryAnswerForbidsInlineCode(t *testing.T) {
	h := newTestServer(t, seed(t)).Handler()
	nonces := map[string]bool{}
	for _, path := range []string{"/", "/campaigns", "/yield", "/nowhere", "/api/v1/benches"} {
		_, header, body := get(t, h, path)
		csp := header.Get("Content-Security-Policy")
		_, rest, _ := strings.Cut(csp, "script-src 'nonce-")
		nonce, _, _ := strings.Cut(rest, "'")
		if len(nonce) < 20 || nonces[nonce] {
			t.Errorf("%s: nonce %q is short or was used before", path, nonce)
		}
		nonces[nonce] = true
		if header.Get("X-Content-Type-Options") != "nosniff" || header.Get("X-Frame-Options") != "DENY" {
			t.Errorf("%s: headers %v", path, header)
		}
		if strings.Contains(body, "<script>") || strings.Contains(body, " style=") || strings.Contains(body, " onclick=") {
			t.Errorf("%s has inline code or style, which the policy forbids", path)
		}
	}
}
