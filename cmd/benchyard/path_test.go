package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/lab"
)

// padFile is a 40 dB path as a network analyzer writes it: -20 lg of 0.01 and
// 0.008 are 40 dB and 41.9382 dB.
const padFile = "! made by hand\n# MHz S MA R 50\n1000 0.05 10 0.01 -30 0.01 -30 0.04 20\n2000 0.05 90 0.008 -60 0.008 -60 0.04 40\n"

// twoBenchesFile is a good inventory; bench-2, slot 1, connector 1 has
// 9 kHz 39.8 dB, 3.5 GHz 40.6 dB, 26.5 GHz 43.9 dB.
const twoBenchesFile = "../../testdata/lab/good/two-benches.yaml"

func written(t *testing.T, name, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func table3(rows string) string { return "frequency_hz,loss_db,uncertainty_db\n" + rows }

// spaced is a table without its alignment.
func spaced(text string) string { return strings.Join(strings.Fields(text), " ") }

// What convert prints is what an inventory takes, and the path has it then.
func TestPathConvertForAnInventory(t *testing.T) {
	for _, c := range []struct{ name, text, uncertainty string }{
		{"pad.s2p", padFile, "0.2dB"},
		{"PAD.S2P", strings.ReplaceAll(padFile, "\n", "\r\n"), "0.2"},
		{"pad.csv", table3("# by hand\n1e9, 40.0, 0.2\n2e9, 41.9382, 0.2\n"), ""},
	} {
		args := []string{"path", "convert", written(t, c.name, c.text)}
		if c.uncertainty != "" {
			args = append(args, "--uncertainty", c.uncertainty)
		}
		out, _ := command(t, exitDone, args...)
		if want := table3("1000000000,40,0.2\n2000000000,41.9382,0.2\n"); out != want {
			t.Errorf("%s: got\n%swant\n%s", c.name, out, want)
		}
		l := labWith(t, out)
		path, _ := l.PathFor("bench-2", 1, 2)
		want := rf.Correction{{Frequency: 1e9, Loss: 40, Uncertainty: 0.2}, {Frequency: 2e9, Loss: 41.9382, Uncertainty: 0.2}}
		if !slices.Equal(path.Correction, want) {
			t.Errorf("%s: the inventory has %v", c.name, path.Correction)
		}
	}
}

// labWith reads the good inventory with a correction file for bench-2, slot 1,
// connector 2.
func labWith(t *testing.T, correction string) *lab.Lab {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Dir(twoBenchesFile))); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "two-benches.yaml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	const inline = "correction: [{frequency: 9kHz, loss: 40dB, uncertainty: 0.2dB}, {frequency: 26.5GHz, loss: 44dB, uncertainty: 0.3dB}]"
	if strings.Count(string(text), inline) != 1 {
		t.Fatalf("%s has no %q", twoBenchesFile, inline)
	}
	changed := strings.Replace(string(text), inline, "correction_file: corrections/new.csv", 1)
	for name, content := range map[string]string{file: changed, filepath.Join(dir, "corrections", "new.csv"): correction} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	l, _, err := readLab(t.Context(), file)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestPathConvertRefuses(t *testing.T) {
	stated := []string{"--uncertainty", "0.2dB"}
	for _, c := range []struct {
		name, text string
		flags      []string
		says       string
	}{
		{"r75.s2p", strings.Replace(padFile, "R 50", "R 75", 1), stated, `r75.s2p:2:14: reference impedance "75"`},
		{"gain.s2p", strings.ReplaceAll(padFile, "0.008", "1.2"), stated, "gain.s2p:4:1: S21 is 1.58 dB at 2 GHz: a passive path has no gain"},
		{"swapped.s2p", "# HZ S DB\n1e9 -40 30 -20 0 -40 30 -26 9\n2e9 -41 9 -21 3 -41 9 -27 8\n", stated, "swapped.s2p:2:1: S21 and S12 differ"},
		{"one.s1p", "# HZ S DB\n1e9 -40 30\n", stated, "one.s1p:2:1: 3 numbers"},
		{"empty.s2p", "", stated, "empty.s2p:1:1: no rows"},
		{"none.s2p", padFile, nil, "--uncertainty"},
		{"word.s2p", padFile, []string{"--uncertainty", "much"}, "--uncertainty"},
		{"zero.s2p", padFile, []string{"--uncertainty", "0dB"}, "above 0"},
		{"minus.s2p", padFile, []string{"--uncertainty=-1dB"}, "above 0"},
		{"gain.csv", table3("1e9,-1,0.2\n"), nil, "gain.csv:2:5: loss -1.00 dB is a gain"},
		{"swapped.csv", "frequency_hz,uncertainty_db,loss_db\n1e9,0.2,40\n", nil, "swapped.csv:1:14: want the header"},
		{"mixed.csv", table3("1e9,0.2,40\n"), nil, "mixed.csv:2:9: uncertainty 40.00 dB"},
		{"stated.csv", table3("1e9,40,0.2\n"), stated, "CSV and inventories state their own"},
	} {
		out, stderr := command(t, exitUsage, append([]string{"path", "convert", written(t, c.name, c.text)}, c.flags...)...)
		if out != "" || !strings.Contains(stderr, c.says) {
			t.Errorf("%s: printed %q and %q, which does not say %q", c.name, out, stderr, c.says)
		}
	}
	command(t, exitUsage, "path", "convert", filepath.Join(t.TempDir(), "none.csv"))
}

// Half a decibel at 2 GHz is twice the 0.25 dB of 0.15 dB and 0.2 dB combined.
func TestPathCompare(t *testing.T) {
	before := written(t, "old.csv", table3("1e9,40,0.15\n3e9,41,0.15\n"))
	after := written(t, "new.csv", table3("1e9,40.1,0.2\n2e9,41,0.2\n"))
	out, stderr := command(t, exitFailed, "path", "compare", before, after)
	for _, want := range []string{
		"1000000000 40.000 40.100 +0.100 0.250 +0.40 yes",
		"2000000000 40.500 41.000 +0.500 0.250 +2.00 NO",
		"greatest difference at 2 GHz: +0.500 dB, +2.00 times the combined uncertainty of 0.250 dB",
		"the new correction covers less: 1 GHz to 2 GHz, the old one 1 GHz to 3 GHz",
	} {
		if !strings.Contains(spaced(out), want) {
			t.Errorf("the table lacks %q:\n%s", want, out)
		}
	}
	if !strings.Contains(stderr, "1 of 2 frequencies differ by more") {
		t.Errorf("standard error %q", stderr)
	}
	out, _ = command(t, exitFailed, "path", "compare", before, after, "--format", "json")
	var r struct {
		Old, New struct {
			To   float64 `json:"to_hz"`
			Rows int
		}
		Rows     []struct{ Ratio float64 }
		Greatest struct {
			Frequency float64 `json:"frequency_hz"`
		}
		Narrower bool
		Disagree int
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if r.Old.To != 3e9 || r.New.To != 2e9 || r.New.Rows != 2 || len(r.Rows) != 2 || r.Greatest.Frequency != 2e9 || !r.Narrower || r.Disagree != 1 {
		t.Errorf("json %+v", r)
	}
	out, _ = command(t, exitFailed, "path", "compare", before, after, "--format", "csv")
	if want := "frequency_hz,old_db,new_db,difference_db,uncertainty_db,ratio,agree\n1000000000,40.000,40.100,+0.100,0.250,+0.40,yes\n2000000000,40.500,41.000,+0.500,0.250,+2.00,NO\n"; out != want {
		t.Errorf("csv:\n%s", out)
	}
	same, _ := command(t, exitDone, "path", "compare", before, before)
	if strings.Contains(same, "covers less") || !strings.Contains(same, "+0.000 dB, +0.00 times") {
		t.Errorf("with itself:\n%s", same)
	}
}

// The table of an inventory stands on either side, a Touchstone file too.
func TestPathCompareWithAnInventory(t *testing.T) {
	place := []string{"--bench", "bench-2", "--slot", "1", "--connector", "1"}
	after := written(t, "new.csv", table3("9e3,39.9,0.2\n3.5e9,40.5,0.2\n26.5e9,43.8,0.3\n"))
	out, _ := command(t, exitDone, append([]string{"path", "compare", twoBenchesFile, after}, place...)...)
	if !strings.Contains(spaced(out), "3500000000 40.600 40.500 -0.100") || strings.Contains(out, "covers less") {
		t.Errorf("table:\n%s", out)
	}
	pad := written(t, "pad.s2p", padFile)
	out, _ = command(t, exitFailed, append([]string{"path", "compare", twoBenchesFile, pad, "--uncertainty", "0.2dB"}, place...)...)
	if !strings.Contains(out, "covers less: 1 GHz to 2 GHz, the old one 9 kHz to 26.5 GHz") {
		t.Errorf("table:\n%s", out)
	}
	high := written(t, "high.csv", table3("30e9,44,0.2\n31e9,44,0.2\n"))
	for _, c := range []struct {
		args []string
		says string
	}{
		{append([]string{twoBenchesFile, high}, place...), "nothing to compare"},
		{[]string{twoBenchesFile, after}, "give --bench, --slot and --connector"},
		{[]string{twoBenchesFile, after, "--bench", "bench-2", "--slot", "1", "--connector", "9"}, "has no path of bench bench-2, slot 1, connector 9"},
		{append([]string{after, high}, place...), "neither file is one"},
		{[]string{after, high, "--uncertainty", "1dB"}, "is for Touchstone files"},
		{[]string{after, pad}, "pad.s2p: a Touchstone file states no uncertainty"},
		{append([]string{"../../testdata/lab/bad/none.yaml", after}, place...), "none.yaml"},
	} {
		if _, stderr := command(t, exitUsage, append([]string{"path", "compare"}, c.args...)...); !strings.Contains(stderr, c.says) {
			t.Errorf("%q: %q does not say %q", c.args, stderr, c.says)
		}
	}
}

// Corrections of bench-1 are good until 2026-12-31, those of bench-2 until
// 2027-02-28; the last good day counts as good.
func TestPathExpiring(t *testing.T) {
	l, _, err := readLab(t.Context(), twoBenchesFile)
	if err != nil {
		t.Fatal(err)
	}
	paths := func(now time.Time, days int) (places []string) {
		for _, r := range expiring(l, now, days) {
			if strings.HasPrefix(r.What, "path") {
				places = append(places, r.Bench)
			}
		}
		return places
	}
	evening := time.Date(2026, 12, 1, 23, 30, 0, 0, time.FixedZone("", -8*3600))
	for days, want := range map[int][]string{29: nil, 30: {"bench-1", "bench-1"}, 88: {"bench-1", "bench-1"}, 89: {"bench-1", "bench-1", "bench-2", "bench-2"}} {
		if got := paths(evening, days); !slices.Equal(got, want) {
			t.Errorf("within %d days: %v, want %v", days, got, want)
		}
	}
	rows := expiring(l, evening.AddDate(0, 2, 0), 30)
	for i, r := range rows {
		if strings.HasPrefix(r.What, "path") && r.Bench == "bench-1" && r.Days != -32 || i > 0 && r.Days < rows[i-1].Days {
			t.Errorf("row %d: %+v", i, r)
		}
	}
	out, _ := command(t, exitDone, "path", "expiring", twoBenchesFile, "--within", "3650d")
	if !strings.Contains(out, "bench-1  path slot 1 connector 1") || !strings.Contains(out, "2026-12-31") {
		t.Errorf("table:\n%s", out)
	}
	for _, within := range []string{"", "soon", "-1d", "3651d", "30h"} {
		command(t, exitUsage, "path", "expiring", twoBenchesFile, "--within="+within)
	}
}
