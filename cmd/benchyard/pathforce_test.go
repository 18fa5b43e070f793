package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchyard/jobs/postgres"
	"benchyard/server/api"
)

// pathRig is a database with the good inventory, in which bench-2, slot 1,
// connector 1 is made of two elements.
type pathRig struct {
	t    *testing.T
	url  string
	text string
	file string
}

func newPathRig(t *testing.T) *pathRig {
	t.Helper()
	data, err := os.ReadFile(twoBenchesFile)
	if err != nil {
		t.Fatal(err)
	}
	const place = "  - bench: bench-2\n    slot: 1\n    connector: 1\n"
	r := &pathRig{t: t, url: postgres.TestURL(t), text: strings.Replace(string(data), place, place+"    elements: [cable-27, pad-3]\n", 1)}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Dir(twoBenchesFile))); err != nil {
		t.Fatal(err)
	}
	r.file = filepath.Join(dir, "lab.yaml")
	r.apply(r.text)
	return r
}

func (r *pathRig) run(code int, args ...string) (stdout, stderr string) {
	r.t.Helper()
	return command(r.t, code, append(args, "--database-url", r.url)...)
}

func (r *pathRig) apply(text string) (stderr string) {
	r.t.Helper()
	if err := os.WriteFile(r.file, []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
	_, stderr = r.run(exitDone, "lab", "apply", r.file)
	return stderr
}

func (r *pathRig) history() (h pathHistory) {
	r.t.Helper()
	out, _ := r.run(exitDone, "path", "show", "bench-2", "1", "1", "--format", "json")
	if err := json.Unmarshal([]byte(out), &h); err != nil {
		r.t.Fatal(err)
	}
	return h
}

const goodTable = "9e3,39.9,0.2\n3.5e9,40.7,0.2\n26.5e9,44,0.3\n"

// From a file to a correction in force, which stays when the inventory is applied
// again and says when its path was changed.
func TestCorrectionFromFileToForce(t *testing.T) {
	r := newPathRig(t)
	file := written(t, "new.csv", table3(goodTable))
	out, _ := r.run(exitDone, "path", "import", file, "bench-2", "1", "1", "--by", "Mary Jones", "--whole")
	for _, want := range []string{"bench-2 slot 1 connector 1: proposal ", "3 rows, 9 kHz to 26.5 GHz", "+0.100 dB at 9 kHz, +0.35 times", "somebody else than Mary Jones", "path approve "} {
		if !strings.Contains(out, want) {
			t.Errorf("import says %q, not %q", out, want)
		}
	}
	h := r.history()
	if len(h.Corrections) != 1 || h.Path.Open != 1 || h.Path.Correction != "" {
		t.Fatalf("%+v", h)
	}
	id := h.Corrections[0].ID
	if _, stderr := r.run(exitUsage, "path", "approve", end(id), "--by", "mary  jones"); !strings.Contains(stderr, "Mary Jones measured it; somebody else has to approve it") {
		t.Errorf("says %q", stderr)
	}
	until := time.Now().AddDate(0, 0, 30).UTC().Format(time.DateOnly)
	out, _ = r.run(exitDone, "path", "approve", end(id), "--by", "Bob", "--valid-until", until)
	if !strings.Contains(out, "bench-2 slot 1 connector 1: in force until "+until+", with version 2 of the inventory") {
		t.Errorf("says %q", out)
	}
	if h = r.history(); h.Path.Correction != id || h.Path.Analyzer != "sa-2" || h.Path.ApprovedBy != "Bob" || h.Corrections[0].State != "approved" {
		t.Errorf("%+v", h)
	}
	out, _ = r.run(exitDone, "path", "show")
	if !strings.Contains(spaced(out), end(id)+" by Mary Jones, approved by Bob 9 kHz to 26.5 GHz "+until) || !strings.Contains(out, "of the file") {
		t.Errorf("table:\n%s", out)
	}
	stderr := r.apply(r.text + "# another version\n")
	if !strings.Contains(stderr, "bench-2 slot 1 connector 1: the correction approved by Bob stays in force until "+until) {
		t.Errorf("lab apply says %q", stderr)
	}
	stderr = r.apply(strings.Replace(r.text, "cable-27", "cable-28", 1))
	if !strings.Contains(stderr, "cable-27 is gone, cable-28 is new; measure or check the path") {
		t.Errorf("lab apply says %q", stderr)
	}
	if h = r.history(); !strings.Contains(h.Path.Stale, "cable-28 is new") {
		t.Errorf("%+v", h.Path)
	}
	if out, _ = r.run(exitDone, "path", "show", end(id)); !strings.Contains(spaced(out), "3500000000 40.600 40.700 +0.100 0.283 +0.35 yes") || !strings.Contains(out, "approved, imported from ") {
		t.Errorf("table:\n%s", out)
	}
}

// Bad input is refused with what to do, files with the place.
func TestPathDecisionsThatAreRefused(t *testing.T) {
	r := newPathRig(t)
	good, pad := written(t, "new.csv", table3(goodTable)), written(t, "pad.s2p", padFile)
	gain := written(t, "gain.csv", table3("1e9,-3,0.2\n"))
	swapped := written(t, "swapped.s2p", "# MHz S MA R 50\n1000 0.05 10 0.01 -30 0.5 -30 0.04 20\n")
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"import", good, "bench-2", "9", "1", "--by", "mary"}, "has no path of bench-2 slot 9 connector 1"},
		{[]string{"import", good, "bench-2", "one", "1", "--by", "mary"}, `slot "one": want a whole number from 1`},
		{[]string{"import", good, "bench-2", "1", "1", "--by", "mary\x1b"}, "cannot be printed"},
		{[]string{"import", good, "bench-2", "1", "1", "--by", " "}, "the name of who measured it is missing"},
		{[]string{"import", good, "bench-2", "1", "1", "--by", "mary", "--measured", "2999-01-01"}, "not after today"},
		{[]string{"import", good, "bench-2", "1", "1", "--by", "mary", "--uncertainty", "1dB"}, "is for Touchstone files"},
		{[]string{"import", pad, "bench-2", "1", "1", "--by", "mary", "--whole", "--uncertainty", "0.2dB"}, "--whole is for CSV"},
		{[]string{"import", pad, "bench-2", "1", "1", "--by", "mary"}, "states no uncertainty"},
		{[]string{"import", gain, "bench-2", "1", "1", "--by", "mary"}, "gain.csv:2:5: loss -3.00 dB is a gain"},
		{[]string{"import", swapped, "bench-2", "1", "1", "--by", "mary", "--uncertainty", "0.2dB"}, "swapped.s2p:2:"},
		{[]string{"approve", "0000", "--by", "bob"}, "0 of the 200 newest corrections have a number that ends in"},
		{[]string{"approve", "01a20000-0000-7000-8000-000000000000", "--by", "bob"}, "not found"},
		{[]string{"reject", "ab", "--by", "bob", "--reason", "x"}, "4 digits at least"},
		{[]string{"show", "bench-2", "1"}, "name a path with BENCH SLOT CONNECTOR"},
		{[]string{"show", "bench-2", "1", "9"}, "the inventory has no path of bench-2 slot 1 connector 9"},
	} {
		if _, stderr := r.run(exitUsage, append([]string{"path"}, c.args...)...); !strings.Contains(stderr, c.says) {
			t.Errorf("%q: %q does not say %q", c.args, stderr, c.says)
		}
	}
	if h := r.history(); len(h.Corrections) != 0 {
		t.Errorf("stored %+v", h.Corrections)
	}
}

// A proposal that covers less and is off wants both said; a rejected one stays as
// a record, and what is in force stays in force.
func TestProposalIsRejected(t *testing.T) {
	r := newPathRig(t)
	out, _ := r.run(exitDone, "path", "import", written(t, "pad.s2p", padFile), "bench-2", "1", "1", "--by", "mary", "--uncertainty", "0.2dB", "--measured", "2026-01-31")
	for _, want := range []string{"1 of 2 frequencies differ", "covers less", "--reason REASON --narrower"} {
		if !strings.Contains(out, want) {
			t.Errorf("import says %q, not %q", out, want)
		}
	}
	id := r.history().Corrections[0].ID
	if out, _ := r.run(exitDone, "path", "reject", end(id), "--by", "bob", "--reason", "of another path"); !strings.Contains(out, "is rejected; what is in force stays") {
		t.Errorf("says %q", out)
	}
	if _, stderr := r.run(exitUsage, "path", "approve", id, "--by", "bob"); !strings.Contains(stderr, "already ended") {
		t.Errorf("says %q", stderr)
	}
	h := r.history()
	if c := h.Corrections[0]; c.State != "rejected" || c.Reason != "of another path" || !strings.HasPrefix(c.MeasuredAt.Local().String(), "2026-01-31") || h.Path.Correction != "" {
		t.Errorf("%+v", h)
	}
	var d api.PathCorrectionDetail
	out, _ = r.run(exitDone, "path", "show", id, "--format", "json")
	if err := json.Unmarshal([]byte(out), &d); err != nil || len(d.Table) != 2 || len(d.Differences) != 2 || d.Disagree != 1 {
		t.Errorf("%v, %+v", err, d)
	}
	if out, _ = r.run(exitDone, "path", "show", "bench-2", "1", "1", "--format", "csv"); !strings.Contains(out, ",rejected,imported,") {
		t.Errorf("csv:\n%s", out)
	}
}

// A file of a person that brings corrections in force is refused at its place by
// every command that reads inventories.
func TestOwnFileWithCorrectionsInForce(t *testing.T) {
	r := newPathRig(t)
	file := filepath.Join(filepath.Dir(r.file), "mine.yaml")
	if err := os.WriteFile(file, []byte("# mine\ncorrections: []\n"+r.text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"lab", "apply", file}, {"lab", "check", file}, {"run", "rejudge", "--all", "--reason", "x", "--lab", file}, {"path", "expiring", file}} {
		if _, stderr := r.run(exitUsage, args...); !strings.Contains(stderr, "mine.yaml:2:1: corrections in force are kept by the program") {
			t.Errorf("%q says %q", args, stderr)
		}
	}
}
