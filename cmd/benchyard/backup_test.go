package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs"
	"benchyard/jobs/backup"
	"benchyard/jobs/blob"
	"benchyard/jobs/postgres"
	"benchyard/jobs/retention"
)

// emptyURL is the address of a database that was never migrated.
func emptyURL(t *testing.T) string {
	t.Helper()
	return postgres.TestEmpty(t).Config().ConnString()
}

func openFor(t *testing.T, url string) *pgxpool.Pool {
	t.Helper()
	pool, err := postgres.OpenPool(t.Context(), url, t.Name(), 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

// longTranscript puts a transcript of the first run into the store of evidence
// and returns the run.
func longTranscript(t *testing.T, pool *pgxpool.Pool, place string) (run string, key blob.Key) {
	t.Helper()
	store := blob.NewStore(pool, blob.Place{Address: place})
	defer store.Close()
	key, err := store.Put(t.Context(), []byte("0.1\tanalyzer\tsent\t*IDN?\n0.2\tanalyzer\treceived\t\x1b[31mmaker\n"))
	if err != nil {
		t.Fatal(err)
	}
	err = pool.QueryRow(t.Context(), `INSERT INTO transcript (run_id, segment, attempt, blob)
		SELECT run_id, number, 1, $1 FROM run_segment ORDER BY run_id LIMIT 1 RETURNING run_id::text`, string(key)).Scan(&run)
	if err != nil {
		t.Fatal(err)
	}
	return run, key
}

func TestBackupAndRestore(t *testing.T) {
	url, dir, place := roundTour(t), t.TempDir(), t.TempDir()
	run, _ := longTranscript(t, openFor(t, url), place)
	out, _ := command(t, exitDone, "backup", dir, "--verify", "--database-url", url, "--blobs", place)
	if !strings.Contains(out, "1 objects") || !strings.Contains(out, "every count and sum is the same") {
		t.Errorf("backup says %q", out)
	}
	files, err := filepath.Glob(dir + "/benchyard-*.zip")
	if err != nil || len(files) != 1 {
		t.Fatalf("files %v, %v", files, err)
	}
	command(t, exitDone, "backup", filepath.Join(dir, "b.zip"), "--verify-with", emptyURL(t), "--database-url", url, "--blobs", place)
	command(t, exitError, "backup", filepath.Join(dir, "b.zip"), "--database-url", url, "--blobs", place)

	second, other := emptyURL(t), t.TempDir()
	command(t, exitDone, "restore", files[0], "--verify", "--database-url", second, "--blobs", other)
	was, _ := command(t, exitDone, "yield", "show", "--format", "json", "--database-url", url)
	is, _ := command(t, exitDone, "yield", "show", "--format", "json", "--database-url", second)
	if was != is || !strings.Contains(was, "2.5.0") {
		t.Errorf("yield was %s, is %s", was, is)
	}
	if said, _ := command(t, exitDone, "evidence", "transcript", run, "--database-url", second, "--blobs", other); !strings.Contains(said, "analyzer\tsent\t*IDN?") || strings.Contains(said, "\x1b") {
		t.Errorf("transcript %q", said)
	}
	if _, why := command(t, exitUsage, "restore", files[0], "--database-url", second, "--blobs", other); !strings.Contains(why, "not empty") {
		t.Errorf("over a database: %s", why)
	}
	if err := os.Truncate(files[0], 5000); err != nil {
		t.Fatal(err)
	}
	if _, why := command(t, exitUsage, "restore", files[0], "--database-url", emptyURL(t), "--blobs", t.TempDir()); !strings.Contains(why, "no whole backup") {
		t.Errorf("half a file: %s", why)
	}
	command(t, exitUsage, "restore", filepath.Join(dir, "nothing.zip"), "--database-url", emptyURL(t))
	command(t, exitUsage, "backup", dir, "--database-url", url, "--blobs", "gs://elsewhere")
}

func TestEvidenceCommands(t *testing.T) {
	url, place := roundTour(t), t.TempDir()
	pool := openFor(t, url)
	run, key := longTranscript(t, pool, place)
	evidence := func(code int, args ...string) (string, string) {
		t.Helper()
		return command(t, code, append(append([]string{"evidence"}, args...), "--database-url", url, "--blobs", place)...)
	}
	if out, _ := evidence(exitDone, "check"); !strings.Contains(out, "1 objects are what they were") {
		t.Errorf("check says %q", out)
	}
	evidence(exitDone, "keep", "--run", run, "--reason", "dispute 12", "--by", "ann")
	evidence(exitDone, "keep", "--unit", "T2-0001", "--reason", "field return")
	evidence(exitUsage, "keep", "--unit", "nobody", "--reason", "r")
	evidence(exitUsage, "keep", "--reason", "r")
	evidence(exitUsage, "keep", "--run", "7", "--reason", "r")
	evidence(exitDone, "release", "1", "--reason", "settled", "--by", "bob")
	evidence(exitUsage, "release", "1", "--reason", "settled")
	evidence(exitUsage, "release", "99", "--reason", "settled")
	out, _ := evidence(exitDone, "list", "--all", "--format", "json")
	var holds []retention.Hold
	if err := json.Unmarshal([]byte(out), &holds); err != nil || len(holds) != 2 || holds[0].HeldBy != "ann" || *holds[0].ReleasedBy != "bob" || *holds[1].Serial != "T2-0001" {
		t.Errorf("holds %s, %v", out, err)
	}
	if out, _ := evidence(exitDone, "list"); strings.Contains(out, "dispute 12") || !strings.Contains(out, "unit T2-0001") {
		t.Errorf("listed:\n%s", out)
	}
	if err := os.Remove(filepath.Join(place, string(key[:2]), string(key[2:])+".zst")); err != nil {
		t.Fatal(err)
	}
	if out, why := evidence(exitError, "check"); !strings.Contains(out, string(key)) || !strings.Contains(why, "1 of 1 objects") {
		t.Errorf("check of a missing object: %s, %s", out, why)
	}
	if _, why := evidence(exitError, "transcript", run); !strings.Contains(why, string(key)) {
		t.Errorf("a missing transcript: %s", why)
	}
}

func TestRetentionCommand(t *testing.T) {
	url, place := roundTour(t), t.TempDir()
	own := t.TempDir()
	if err := os.CopyFS(own, os.DirFS("../../testdata/lab/good")); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(own, "two-benches.yaml")
	document, err := os.ReadFile(file)
	if err == nil {
		err = os.WriteFile(file, append(document, "\nretention: {transcripts_days: 5, events_days: 3}\n"...), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "lab", "apply", file, "--database-url", url)
	pool := openFor(t, url)
	longTranscript(t, pool, place)
	sqlExec(t, pool, `UPDATE run SET finished_at = now() - interval '6 days'`)
	round := func(args ...string) (amounts []retention.Amount) {
		t.Helper()
		out, _ := command(t, exitDone, append([]string{"retention", "--format", "json", "--database-url", url, "--blobs", place}, args...)...)
		if err := json.Unmarshal([]byte(out), &amounts); err != nil {
			t.Fatal(err)
		}
		return amounts
	}
	for i, want := range []int64{1, 1, 0} { // dry, wet, nothing left
		args := map[int][]string{0: {"--dry-run"}}[i]
		if a := round(args...); len(a) != 2 || a[0].What != retention.Transcripts || a[0].Pieces != want {
			t.Errorf("round %d: %+v", i, a)
		}
	}
	if out, _ := command(t, exitDone, "retention", "--dry-run", "--database-url", url); !strings.Contains(out, "after days") {
		t.Errorf("table %q", out)
	}
}

// A program that is older than the schema may not drive benches, and the board
// and the list of agents say so.
func TestAnOldProgramIsRefused(t *testing.T) {
	url := roundTour(t)
	pool := openFor(t, url)
	sqlExec(t, pool, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, true)`)
	if _, why := command(t, exitError, "agent", "--database-url", url); !strings.Contains(why, "upgrade the program") {
		t.Errorf("agent says %s", why)
	}
	agents, err := jobs.Agents(t.Context(), pool)
	if err != nil || len(agents) != 1 || !strings.Contains(agents[0].Refused, "99999") {
		t.Errorf("agents %+v, %v", agents, err)
	}
	sqlExec(t, pool, `DELETE FROM goose_db_version WHERE version_id = 99999`)
	if out, _ := command(t, exitDone, "bench", "agents", "--database-url", url); !strings.Contains(out, "REFUSED") {
		t.Errorf("listed:\n%s", out)
	}
}

func TestProgressOfABackup(t *testing.T) {
	line := progressLine(backup.Progress{Done: 250_000_000, All: 1_000_000_000, What: "trace"}, 10*time.Second)
	if line != " 25 %, 250.0 of 1000.0 MB, trace, ETA 30s" {
		t.Errorf("%q", line)
	}
	if line := progressLine(backup.Progress{}, 0); !strings.Contains(line, "100 %") {
		t.Errorf("of nothing: %q", line)
	}
}
