package postgres

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"go.uber.org/goleak"
)

// programVariable makes this test binary a program that opens the data
// directory it names, says so, and closes when its input ends.
const programVariable = "POSTGRES_TEST_PROGRAM"

func TestMain(m *testing.M) {
	if dir := os.Getenv(programVariable); dir != "" {
		os.Exit(otherProgram(dir))
	}
	goleak.VerifyTestMain(m)
}

func otherProgram(dir string) int {
	db, err := Open(context.Background(), Options{DataDir: dir, Logger: quiet()})
	if err != nil {
		fmt.Println(err)
		return 1
	}
	fmt.Println("open")
	_, _ = io.Copy(io.Discard, os.Stdin)
	db.Close()
	return 0
}

// startProgram runs otherProgram on dir and returns when it has it open.
func startProgram(t *testing.T, dir string) (cmd *exec.Cmd, finish func()) {
	t.Helper()
	cmd = exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), programVariable+"="+dir)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	finished := false
	finish = func() {
		if finished {
			return
		}
		finished = true
		_ = in.Close()
		_ = cmd.Wait() // the error of a killed program is no news
	}
	t.Cleanup(finish)
	line, _ := bufio.NewReader(out).ReadString('\n')
	if line != "open\n" {
		t.Fatalf("the other program says %q, want open", line)
	}
	return cmd, finish
}

// dataDir is a directory that the account of the server can reach, which
// t.TempDir is not for root, with a path short enough for a socket.
func dataDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "by")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "data")
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func open(t *testing.T, dir string) *Database {
	t.Helper()
	db, err := Open(t.Context(), Options{DataDir: dir, Logger: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// eventually polls for what another process does in its own time.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatal("never happened: " + what)
}

func answers(t *testing.T, pool *pgxpool.Pool) bool {
	return pool.Ping(t.Context()) == nil
}

func wantError(t *testing.T, err error, parts ...string) {
	t.Helper()
	if err == nil {
		t.Fatal("no error")
	}
	for _, part := range parts {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("error %q does not say %q", err, part)
		}
	}
	if strings.Contains(err.Error(), "\n") {
		t.Errorf("error has more than one line: %q", err)
	}
}

func exec1(t *testing.T, pool *pgxpool.Pool, statement string) {
	t.Helper()
	if _, err := pool.Exec(t.Context(), statement); err != nil {
		t.Fatal(err)
	}
}
