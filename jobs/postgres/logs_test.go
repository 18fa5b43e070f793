package postgres

import (
	"bytes"
	"fmt"
	"log/slog"
	"strings"
	"testing"
)

func TestLogLines(t *testing.T) {
	var seen bytes.Buffer
	lines := &logLines{log: slog.New(slog.NewTextHandler(&seen, &slog.HandlerOptions{Level: slog.LevelDebug}))}
	for _, piece := range []string{"LOG:  starting\nFAT", "AL:  could not write lock file \"postmaster.pid\": No space left on device\n", "LOG:  shut down\n", strings.Repeat("x", 2*longestLine)} {
		if n, err := lines.Write([]byte(piece)); n != len(piece) || err != nil {
			t.Fatalf("Write = %d, %v", n, err)
		}
	}
	if want := `could not write lock file "postmaster.pid": No space left on device`; lines.reason() != want {
		t.Errorf("reason %q, want %q", lines.reason(), want)
	}
	for _, want := range []string{`level=DEBUG msg="private server: starting"`, `level=INFO msg="private server: could not write`} {
		if !strings.Contains(seen.String(), want) {
			t.Errorf("the log lacks %s:\n%.500s", want, seen.String())
		}
	}
	for i := range 3 * keptLines {
		fmt.Fprintf(lines, "LOG:  line %d\n", i)
	}
	if len(lines.last) != keptLines || lines.reason() != "LOG:  line 119" {
		t.Errorf("%d lines are kept, the last is %q; want %d and line 119", len(lines.last), lines.reason(), keptLines)
	}
}

func TestFullDiskHasARemedy(t *testing.T) {
	why := `could not write lock file "postmaster.pid": No space left on device`
	if got, want := withRemedy(why), why+"; free some space on that disk"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := withRemedy("it said nothing"); got != "it said nothing" {
		t.Errorf("got %q for another reason", got)
	}
}

func TestReason(t *testing.T) {
	for _, test := range []struct{ output, want string }{
		{"", "it said nothing"},
		{"creating\nsomething odd\n", "something odd"},
		{"ok\ninitdb: error: cannot\ninitdb: removing contents\n", "cannot"},
		// As PostgreSQL 15 prints it on a file system of 20 MB.
		{"FATAL:  could not extend file \"base/1/2691\": wrote only 4096 of 8192 bytes at block 20\nHINT:  Check free disk space.\nchild process exited with exit code 1\n",
			`could not extend file "base/1/2691": wrote only 4096 of 8192 bytes at block 20 (Check free disk space.)`},
	} {
		if got := reason(test.output); got != test.want {
			t.Errorf("reason of %q: %q, want %q", test.output, got, test.want)
		}
	}
}
