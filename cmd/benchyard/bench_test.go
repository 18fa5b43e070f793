package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchyard/jobs/postgres"
	"benchyard/server/api"
)

// goldenLab is the round tour in a lab whose first bench has a golden unit.
func goldenLab(t *testing.T) (url string) {
	t.Helper()
	url = roundTour(t)
	const dir = "../../testdata/lab/good"
	document, err := os.ReadFile(filepath.Join(dir, "two-benches.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	own := t.TempDir()
	if err := os.CopyFS(own, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(own, "golden.yaml")
	text := strings.Replace(string(document), "- name: bench-1\n", "- name: bench-1\n    golden_unit: T2-0001\n    golden_every: 24h\n", 1)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, exitDone, "lab", "apply", file, "--database-url", url)
	return url
}

func TestBenchHoldAndRelease(t *testing.T) {
	url := goldenLab(t)
	bench := func(code int, args ...string) (string, string) {
		t.Helper()
		return command(t, code, append(append([]string{"bench"}, args...), "--database-url", url)...)
	}
	first := func() (line benchLine) {
		t.Helper()
		out, _ := bench(exitDone, "list", "--format", "json")
		var lines []benchLine
		if err := json.Unmarshal([]byte(out), &lines); err != nil || len(lines) != 2 {
			t.Fatalf("%d benches, %v: %s", len(lines), err, out)
		}
		return lines[0]
	}
	if out, _ := bench(exitDone, "hold", "bench-1", "--reason", "new cables", "--by", "ann"); !strings.HasPrefix(out, "bench-1: held") {
		t.Errorf("hold says %q", out)
	}
	if line := first(); line.Hold != "new cables" || line.GoldenUnit != "T2-0001" || !line.Overdue || line.GoldenDue != nil {
		t.Errorf("held: %+v", line)
	}
	if out, _ := bench(exitDone, "list"); !strings.Contains(out, "new cables") || !strings.Contains(out, "T2-0001 overdue, never measured") {
		t.Errorf("listed:\n%s", out)
	}
	bench(exitDone, "release", "bench-1", "--by", "ann")
	if line := first(); line.Hold != "" {
		t.Errorf("released: %+v", line)
	}
	pool, err := postgres.OpenPool(t.Context(), url, t.Name(), 0)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	_, err = pool.Exec(t.Context(), `INSERT INTO path_task (id, kind, bench, slot, connector, frequencies_hz, level_dbm, asked_by, state, error, finished_at, displaced)
		VALUES (gen_random_uuid(), 'measure', 'bench-1', 1, 2, '{3.5e9}', 0, 'ann', 'error', 'gone', now(), true)`)
	if err != nil {
		t.Fatal(err)
	}
	if _, stderr := bench(exitUsage, "release", "bench-1", "--by", "ann"); !strings.Contains(stderr, "slot 1 connector 2 may still be joined to the generator") || !strings.Contains(stderr, "--path-back") {
		t.Errorf("released with its path off: %q", stderr)
	}
	bench(exitDone, "release", "bench-1", "--by", "ann", "--path-back")
	if out, _ := bench(exitDone, "clear-alarm", "bench-1", "--by", "ann"); !strings.Contains(out, "safe state") {
		t.Errorf("clearing an alarm says %q", out)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"hold", "bench-1", "--by", "ann"}, "--reason"},
		{[]string{"hold", "bench-1", "--reason", " ", "--by", "ann"}, "--reason"},
		{[]string{"hold", "bench-1", "--reason", "x"}, "--by"},
		{[]string{"release", "bench-1", "--by", " "}, "name"},
		{[]string{"release", "bench-1", "--by", "ann\x1b[2J"}, "cannot be printed"},
		{[]string{"release", "bench-9", "--by", "ann"}, "not found"},
		{[]string{"clear-alarm", "bench-9", "--by", "ann"}, "not found"},
		{[]string{"golden", "bench-9"}, "bench list"},
		{[]string{"golden", "bench-2"}, "golden_unit"},
	} {
		if _, stderr := bench(exitUsage, c.args...); !strings.Contains(stderr, c.says) {
			t.Errorf("benchyard bench %q: %q does not say %q", c.args, stderr, c.says)
		}
	}
}

// Nine golden runs: margins of 5 and 4.9 dB in turn, then one of 9 dB. Mean 4.95,
// limits 4.5299 * 0.05345 * sqrt(1 + 1/8) = 0.257 from it: Student's t with 7 degrees of
// freedom, as TestGoldenFigureAgainstEarlierRuns has it.
func TestBenchGoldenShowsTheFigures(t *testing.T) {
	url := goldenLab(t)
	args := []string{"bench", "golden", "bench-1", "--database-url", url}
	if out, _ := command(t, exitDone, args...); !strings.Contains(out, "golden unit T2-0001: overdue, never measured") {
		t.Errorf("before the first check:\n%s", out)
	}
	pool, err := postgres.OpenPool(t.Context(), url, t.Name(), 0)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	sqlExec(t, pool, `INSERT INTO build (name) VALUES ('golden')`)
	for _, level := range []float64{35, 35.1, 35, 35.1, 35, 35.1, 35, 35.1, 31} {
		storeRun(t, pool, "golden", 0, 0, level)
	}
	sqlExec(t, pool, `UPDATE run SET golden = true FROM campaign c WHERE c.id = campaign_id AND c.build = 'golden'`)
	out, _ := command(t, exitDone, args...)
	for _, want := range []string{"golden unit T2-0001: due ", "no test limits", "4.950", "4.693", "5.207", "9.000", "left its limits"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table lacks %q:\n%s", want, out)
		}
	}
	out, _ = command(t, exitDone, append(args, "--format", "json")...)
	var lines []api.GoldenFigure
	if err := json.Unmarshal([]byte(out), &lines); err != nil || len(lines) != 1 {
		t.Fatalf("%d figures, %v: %s", len(lines), err, out)
	}
	if l := lines[0]; l.Earlier != 8 || l.Mean == nil || l.Newest != 9 || !l.Signal || l.Unit != "dB" || !l.Margin || l.Connector != 1 {
		t.Errorf("figure %+v", l)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--begin-anew", "--by", "ann"}, "give both"}, {[]string{"--begin-anew", "--reason", "x"}, "give both"}, {[]string{"--by", "ann"}, "--begin-anew"},
		{[]string{"--begin-anew", "--by", "ann", "--reason", "two\nlines"}, "--reason"},
	} {
		if _, stderr := command(t, exitUsage, append(args[:len(args):len(args)], c.args...)...); !strings.Contains(stderr, c.says) {
			t.Errorf("%q: %q does not say %q", c.args, stderr, c.says)
		}
	}
	if out, _ := command(t, exitDone, append(args, "--begin-anew", "--by", "ann", "--reason", "new cables")...); !strings.Contains(out, "compared anew") {
		t.Errorf("begun anew: %q", out)
	}
	if out, _ := command(t, exitDone, args...); !strings.Contains(out, "by ann: new cables") || strings.Contains(out, "9.000") {
		t.Errorf("after it began anew:\n%s", out)
	}
}
