package server

import (
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// serve runs the server on a free port of the loopback address until the test
// ends, and fails the test when it does not stop in order.
func serve(t *testing.T, srv *Server) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the server did not stop in order: %v", err)
		}
	})
	return "http://" + l.Addr().String()
}

// TestPagesInABrowser runs web/test against a server with seeded data. Node and
// a browser are part of what this project is tested with: without them it fails.
func TestPagesInABrowser(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		t.Fatal("node is missing; install it (apt-get install nodejs) or run make test")
	}
	browser, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("chromium is missing; install it (apt-get install chromium) or run make test")
	}
	s := seed(t)
	s.asked(t)
	s.elementsOf(t, "cable-17, pad-3")
	s.propose(t, 0.1, 26.5e9)
	s.propose(t, 0.5, 6e9)
	s.goldenRuns(t, 12, 3)
	srv := newTestServer(t, s)
	if !srv.assets.Built {
		t.Fatal("the scripts and styles are not built; run make web")
	}
	shots := os.Getenv("BENCHYARD_SHOTS")
	if shots == "" {
		shots = t.TempDir()
	}
	address := serve(t, srv)
	// Whatever hangs in the browser ends before the test binary is killed.
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	tests, err := filepath.Glob("../web/test/*.test.mjs")
	if err != nil || len(tests) == 0 {
		t.Fatalf("no browser tests found: %v", err)
	}
	cmd := exec.CommandContext(ctx, node, append([]string{"--test"}, tests...)...)
	cmd.Env = append(os.Environ(), "BENCHYARD_URL="+address, "BENCHYARD_SHOTS="+shots, "CHROMIUM="+browser)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("browser tests: %v\n%s", err, out)
	}
	pictures, err := filepath.Glob(filepath.Join(shots, "*.png"))
	if err != nil || len(pictures) < 10 {
		t.Errorf("%d screenshots were taken, want at least 10: %v", len(pictures), err)
	}
}
