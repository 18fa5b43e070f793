package postgres

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestOtherVersionIsRefusedAndUntouched(t *testing.T) {
	dir := dataDir(t)
	data := filepath.Join(dir, "postgres", "data")
	if err := os.MkdirAll(data, 0o755); err != nil {
		t.Fatal(err)
	}
	// The owner must be an account, for root's data directory says who runs it.
	for name, text := range map[string]string{"PG_VERSION": "13\n", "results": "precious"} {
		if err := os.WriteFile(filepath.Join(data, name), []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
	}
	before := listing(t, dir)
	_, err := Open(t.Context(), Options{DataDir: dir, Logger: quiet()})
	wantError(t, err, data, "written by PostgreSQL 13", "nothing was touched")
	if after := listing(t, dir); after != before {
		t.Errorf("files before:\n%s\nafter:\n%s", before, after)
	}
}

func TestForeignDirectoryIsRefused(t *testing.T) {
	dir := dataDir(t)
	data := filepath.Join(dir, "postgres", "data")
	if err := os.MkdirAll(data, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(data, "diary.txt"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	before := listing(t, dir)
	_, err := Open(t.Context(), Options{DataDir: dir, Logger: quiet()})
	wantError(t, err, data, "no PostgreSQL data")
	if after := listing(t, dir); after != before {
		t.Errorf("files before:\n%s\nafter:\n%s", before, after)
	}
}

func TestNoPrograms(t *testing.T) {
	_, err := search{}.find(t.Context(), 0)
	wantError(t, err, "no PostgreSQL programs found", "apt-get install postgresql", "--database-url")
	empty := t.TempDir()
	_, err = Open(t.Context(), Options{DataDir: dataDir(t), BinDir: empty, Logger: quiet()})
	wantError(t, err, "no PostgreSQL programs in "+empty)
}

func TestNewestProgramsOrTheVersionOfTheData(t *testing.T) {
	root := t.TempDir()
	for _, version := range []string{"9", "15", "17", "18"} {
		fakePrograms(t, filepath.Join(root, version, "bin"), version, "exit 1")
	}
	s := search{patterns: []string{filepath.Join(root, "*", "bin")}}
	for _, test := range []struct{ data, want int }{{0, 18}, {15, 15}, {16, 18}} {
		p, err := s.find(t.Context(), test.data)
		if err != nil || p.major != test.want {
			t.Errorf("for data of version %d: programs %d (%v), want %d", test.data, p.major, err, test.want)
		}
	}
	_, err := search{patterns: []string{filepath.Join(root, "9", "bin")}}.find(t.Context(), 0)
	wantError(t, err, "PostgreSQL 14 or newer", "is version 9")
}

func TestTooLongSocketPath(t *testing.T) {
	dir := filepath.Join(dataDir(t), strings.Repeat("long/", 20))
	_, err := Open(t.Context(), Options{DataDir: dir, Logger: quiet()})
	wantError(t, err, "too long", "103", "choose a shorter one")
	if _, err := os.Stat(dir); err == nil {
		t.Error("the directory was created all the same")
	}
}

func TestUnwritableDirectory(t *testing.T) {
	file := dataDir(t)
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), Options{DataDir: filepath.Join(file, "below"), Logger: quiet()})
	wantError(t, err, file, "not a directory")
	if os.Geteuid() == 0 {
		return // permission bits bind the ordinary user only; see TestAsOrdinaryUser
	}
	closed := dataDir(t)
	if err := os.Mkdir(closed, 0o500); err != nil {
		t.Fatal(err)
	}
	_, err = Open(t.Context(), Options{DataDir: closed, Logger: quiet()})
	wantError(t, err, closed, "permission denied", "choose another")
}

func TestUnreachableDirectory(t *testing.T) {
	dir := dataDir(t)
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Dir(dir), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), Options{DataDir: dir, Logger: quiet()})
	if os.Geteuid() != 0 {
		wantError(t, err, "permission denied")
		if err := os.Chmod(filepath.Dir(dir), 0o700); err != nil { // let the cleanup pass
			t.Fatal(err)
		}
		return
	}
	wantError(t, err, "cannot pass through "+filepath.Dir(dir), "chmod o+x")
}

// What initdb prints on a full disk comes back as one message, and nothing that
// looks like data stays behind.
func TestFailedInitialisation(t *testing.T) {
	dir := dataDir(t)
	bin := filepath.Join(filepath.Dir(dir), "bin")
	fakePrograms(t, bin, "15", `mkdir "$2" && echo 15 >"$2/PG_VERSION"
echo 'creating configuration files ... ok'
echo 'initdb: error: could not write to file "base/1": No space left on device' >&2
echo 'initdb: removing contents of data directory' >&2
exit 1`)
	_, err := Open(t.Context(), Options{DataDir: dir, BinDir: bin, Logger: quiet()})
	wantError(t, err, "cannot create the database in "+filepath.Join(dir, "postgres", "data"), "No space left on device")
	if _, err := os.Stat(filepath.Join(dir, "postgres", "data")); !errors.Is(err, os.ErrNotExist) {
		t.Error("a half-made data directory stays:", err)
	}
	db := open(t, dir) // with the real programs, once there is room
	db.Close()
}

func TestServerThatDoesNotStart(t *testing.T) {
	dir := dataDir(t)
	db := open(t, dir)
	settings := filepath.Join(db.keeper.cluster.data(), "postgresql.auto.conf")
	db.Close()
	if err := os.WriteFile(settings, []byte("no_such_setting = 1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), Options{DataDir: dir, Logger: quiet()})
	wantError(t, err, "private server", "configuration file")
}

func TestElsewhere(t *testing.T) {
	db, err := Open(t.Context(), Options{URL: TestURL(t), Name: "elsewhere"})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var name string
	if err := db.Queue.QueryRow(t.Context(), "SELECT current_setting('application_name')").Scan(&name); err != nil || name != "elsewhere queue" {
		t.Errorf("application name %q (%v)", name, err)
	}
	_, err = Open(t.Context(), Options{URL: "postgres://nobody@127.0.0.1:1/x?sslmode=disable"})
	wantError(t, err, "does not answer", "127.0.0.1")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = Open(ctx, Options{DataDir: dataDir(t), Logger: quiet()})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("with a cancelled context: %v", err)
	}
}

// fakePrograms writes programs that know their version and fail as told.
func fakePrograms(t *testing.T, dir, version, initdb string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for name, script := range map[string]string{
		"postgres": `[ "$1" = -V ] && echo "postgres (PostgreSQL) ` + version + `.3 (Debian)"`,
		"initdb":   initdb,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("#!/bin/sh\n"+script+"\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
}

// listing is every file below dir with mode, owner-visible size and content.
func listing(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err != nil {
			return err
		}
		b.WriteString(path + " " + info.Mode().String() + " " + info.ModTime().String())
		if info.Mode().IsRegular() {
			text, err := os.ReadFile(path)
			b.WriteString(" " + string(text))
			return err
		}
		b.WriteString("\n")
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}
