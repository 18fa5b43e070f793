package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"benchyard/instruments/rf"
)

// traceFile writes a trace of n points, step hertz apart, about a centre.
func traceFile(t *testing.T, centre, step float64, n int, level func(offset float64) float64) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("freq_hz,level_dbm\n")
	for i := range n {
		offset := (float64(i) - float64(n-1)/2) * step
		fmt.Fprintf(&b, "%.3f,%.9f\n", centre+offset, level(offset))
	}
	name := filepath.Join(t.TempDir(), "trace.csv")
	if err := os.WriteFile(name, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// wideN1 is a carrier of n1 in the middle of the band, 2140 MHz.
func wideN1(bandwidth string, more ...string) []string {
	return append([]string{"--band", "n1", "--bandwidth", bandwidth, "--scs", "15kHz", "--class", "wide-area", "--rated-power", "46dBm", "--rf-channel", "M"}, more...)
}

// analyzed runs the command on a file and returns its figures by key.
func analyzed(t *testing.T, code int, file string, args []string) map[string]map[string]any {
	t.Helper()
	out, _ := command(t, code, append([]string{"analyze", "spectrum", file, "--format", "json"}, args...)...)
	var list []map[string]any
	if err := json.Unmarshal([]byte(out), &list); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	byKey := map[string]map[string]any{}
	for _, r := range list {
		byKey[r["key"].(string)] = r
	}
	return byKey
}

func checkValue(t *testing.T, what string, got map[string]any, want, tolerance float64) {
	t.Helper()
	if v, ok := got["value"].(float64); !ok || math.Abs(v-want) > tolerance {
		t.Errorf("%s: got %v, want %v within %v", what, got["value"], want, tolerance)
	}
}

func flatTo(edge, inside, outside float64) func(float64) float64 {
	return func(offset float64) float64 {
		if math.Abs(offset) < edge {
			return inside
		}
		return outside
	}
}

// Channel power by integration: facts/metrology.md 4.5 (flat -20 dBm, RBW 100 kHz,
// 98.28 MHz; five points over 5 MHz, RBW 1 MHz, where the mean of the decibels,
// -15.01030, would be wrong) and 4.4 (44 dBm over 98.28 MHz reads +9.083 dBm in
// 30 kHz with a factor of 1.056).
func TestAnalyzeChannelPower(t *testing.T) {
	n78 := []string{"--band", "n78", "--bandwidth", "100MHz", "--scs", "30kHz", "--class", "wide-area", "--rated-power", "10dBm", "--rf-channel", "M", "--clause", "6.2"}
	const centre = 3549.99e6
	flat := traceFile(t, centre, 20e3, 6000, flatTo(49.14e6, -20, -200))
	for factor, want := range map[string]float64{"1": 9.92465, "1.056": 9.68801, "1.128": 9.40156} {
		got := analyzed(t, exitDone, flat, append(n78, "--rbw", "100kHz", "--noise-factor", factor))
		checkValue(t, "flat, factor "+factor, got["6.2"], want, 1e-5)
		if note := got["6.2"]["note"]; note != "the trace is taken to show the ON period" {
			t.Errorf("a TDD carrier with the note %q", note)
		}
	}
	marker := traceFile(t, centre, 10e3, 12000, flatTo(49.14e6, 9.083, -200))
	got := analyzed(t, exitFailed, marker, append(n78, "--rbw", "30kHz", "--noise-factor", "1.056"))
	checkValue(t, "marker", got["6.2"], 44, 1e-3)

	five := traceFile(t, 2140e6, 1e6, 5, func(offset float64) float64 { return -10 - 10*math.Abs(offset)/1e6 })
	for factor, want := range map[string]float64{"1": -9.13640, "1.056": -9.37304} {
		got := analyzed(t, exitFailed, five, wideN1("5MHz", "--rbw", "1MHz", "--noise-factor", factor))
		checkValue(t, "five points, factor "+factor, got["6.2"], want, 1e-5)
	}
	// A loss of 55 dB in front of the analyzer raises the level to 45.8636 dBm, in the limits.
	lossy := analyzed(t, exitDone, five, wideN1("5MHz", "--rbw", "1MHz", "--noise-factor", "1", "--loss", "55dB"))
	checkValue(t, "five points behind 55 dB", lossy["6.2"], 45.86360, 1e-5)
}

// Leakage and unwanted emissions by integration: facts/metrology.md 4.6 (46.02 dBm
// against -0.53 dBm is 46.55 dB; 30 kHz to 100 kHz is +5.2288 dB, to 1 MHz
// +15.2288 dB for flat noise).
func TestAnalyzeLeakageAndMask(t *testing.T) {
	const rbw, width = 10e3, 19.08e6
	density := func(power float64) float64 { return power - 10*math.Log10(width/rbw) }
	leaky := traceFile(t, 2140e6, 5e3, 24001, func(offset float64) float64 {
		switch n := math.Abs(offset); {
		case n < width/2:
			return density(46.02)
		case n > 10e6:
			return density(-0.53)
		}
		return -200
	})
	got := analyzed(t, exitDone, leaky, wideN1("20MHz", "--rbw", "10kHz", "--noise-factor", "1", "--clause", "6.6.3"))
	for _, key := range []string{"6.6.3/lower/1", "6.6.3/lower/2", "6.6.3/upper/1", "6.6.3/upper/2"} {
		checkValue(t, key, got[key], 46.55, 0.002)
	}
	noise := traceFile(t, 2140e6, 10e3, 10001, func(float64) float64 { return -60 })
	got = analyzed(t, exitDone, noise, wideN1("20MHz", "--rbw", "30kHz", "--noise-factor", "1", "--clause", "6.6.4"))
	checkValue(t, "100 kHz", got["6.6.4/upper/2"], -60+5.2288, 1e-4)
	checkValue(t, "1 MHz", got["6.6.4/lower/3"], -60+15.2288, 1e-4)
}

// Occupied bandwidth: facts/metrology.md 4.7.
func TestAnalyzeOccupiedBandwidth(t *testing.T) {
	for _, c := range []struct {
		name, bandwidth, rbw string
		step                 float64
		n, code              int
		level                func(float64) float64
		want, tolerance      float64 // MHz
	}{
		{"401 equal bins", "20MHz", "100kHz", 0.1e6, 401, exitFailed, flatTo(1e9, -20, 0), 39.699, 1e-9},
		{"triangle, base 60", "30MHz", "100kHz", 0.06e6, 1001, exitFailed, func(o float64) float64 { return max(-240, 10*math.Log10(1-math.Abs(o)/30e6)) }, 54, 0.01},
		{"Gaussian, sigma 5", "30MHz", "100kHz", 0.06e6, 1001, exitDone, func(o float64) float64 { return -20 - 4.342945*o*o/2/25e12 }, 25.758, 0.002},
		{"block, floor 30 dB down", "40MHz", "100kHz", 0.1e6, 801, exitDone, flatTo(10.04e6, -20, -50), 19.958, 1e-3},
		{"block, floor 20 dB down", "40MHz", "100kHz", 0.1e6, 801, exitFailed, flatTo(10.04e6, -20, -40), 59.40, 0.005},
	} {
		file := traceFile(t, 2140e6, c.step, c.n, c.level)
		got := analyzed(t, c.code, file, wideN1(c.bandwidth, "--rbw", c.rbw, "--clause", "6.6.2"))
		checkValue(t, c.name, got["6.6.2"], c.want*1e6, c.tolerance*1e6)
	}
}

// What a program may rely on in the output is kept in a golden file; a result
// may have more fields than that, and none of these may change.
func TestAnalyzeGoldenJSON(t *testing.T) {
	out, stderr := command(t, exitDone, append([]string{"analyze", "spectrum", "../../testdata/analyze/short.csv", "--format", "json"},
		wideN1("5MHz", "--rbw", "50kHz", "--loss", "47dB", "--uncertainty", "0.5dB", "--test-model", "NR-FR1-TM1.1", "--connector", "2")...)...)
	golden, err := os.ReadFile("../../testdata/analyze/short.json")
	if err != nil {
		t.Fatal(err)
	}
	var got, want []map[string]any
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if err := json.Unmarshal(golden, &want); err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("%d results, want %d:\n%s", len(got), len(want), out)
	}
	for i, w := range want {
		for field, value := range w {
			g, ok := got[i][field]
			if a, is := value.(float64); is && ok {
				if b, is := g.(float64); is && math.Abs(a-b) <= 1e-9*max(1, math.Abs(a)) {
					continue
				}
			}
			if !ok || !reflect.DeepEqual(g, value) {
				t.Errorf("result %d, %s: got %v, want %v", i, field, g, value)
			}
		}
	}
	if !strings.Contains(stderr, "6.6.4: ../../testdata/analyze/short.csv: span starts") {
		t.Errorf("standard error does not say what was not answered: %q", stderr)
	}
}

// A trace that ends early answers what it can and says by how much it falls
// short of the rest; standard input serves like a file.
func TestAnalyzePartOfTheSpan(t *testing.T) {
	level := flatTo(9.54e6, -30, -95)
	wide, err := os.ReadFile(traceFile(t, 2140e6, 5e3, 24001, level))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitAfter(string(wide), "\n")
	short := strings.Join(lines[:1+17621], "") // ends 28.1 MHz above the carrier
	binary, err := built()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(binary, append([]string{"analyze", "spectrum", "-"}, wideN1("20MHz", "--rbw", "10kHz", "--loss", "44dB")...)...)
	cmd.Stdin = strings.NewReader(short)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, want := range []string{"output power", "occupied bandwidth", "6.6.4: standard input: span ends 12.4 MHz before the mask does",
		"6.6.3: standard input: span ends 21.44 MHz", "range 9 kHz to 150 kHz", "NR-ARFCN 428000", "no uncertainty of the level was given"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("the output lacks %q:\n%s", want, out)
		}
	}
}

// Several files share the work; spurious ranges that are covered are judged and
// say how many there are.
func TestAnalyzeSeveralFiles(t *testing.T) {
	carrier := traceFile(t, 2140e6, 50e3, 601, flatTo(9.54e6, -20, -95))
	low := traceFile(t, 515e6, 50e3, 19401, flatTo(1e3, -40, -90)) // 30 MHz to 1 GHz, a line of -40 dBm
	out, _ := command(t, exitFailed, append([]string{"analyze", "spectrum", carrier, low, "--format", "json"},
		wideN1("20MHz", "--rbw", "100kHz", "--rbw", "100kHz", "--loss", "43dB", "--clause", "6.2", "--clause", "6.6.5", "--rule", "simple")...)...)
	var list []struct {
		Key, Verdict, Note, Rule string
		AtHz                     *float64 `json:"at_hz"`
		Margin                   float64
	}
	if err := json.Unmarshal([]byte(out), &list); err != nil {
		t.Fatal(err)
	}
	if len(list) != 2 || list[0].Key != "6.2" || list[0].Verdict != "pass" || list[1].Verdict != "fail" || list[1].AtHz == nil || *list[1].AtHz != 515e6 {
		t.Fatalf("got %+v", list)
	}
	// -40 dBm + 43 dB against -13 dBm; a line is not noise, nothing comes off.
	if math.Abs(list[1].Margin+16) > 1e-6 || !strings.Contains(list[1].Note, "1 of 5 ranges") || list[1].Rule != "simple" {
		t.Errorf("got %+v", list[1])
	}
}

// Wrong use and files that cannot be used end with code 2 and say what and where.
func TestAnalyzeBadInput(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := "../../testdata/analyze/short.csv"
	n1 := func(more ...string) []string { return wideN1("5MHz", more...) }
	without := func(flag string, args []string) []string {
		for i, a := range args {
			if a == flag {
				return append(append([]string{}, args[:i]...), args[i+2:]...)
			}
		}
		t.Fatalf("no %s", flag)
		return nil
	}
	gap := strings.Replace(string(must(os.ReadFile(good))(t)), "2139000000,-20\n", "", 1)
	for _, c := range []struct {
		file string
		args []string
		says string
	}{
		{filepath.Join(dir, "none.csv"), n1("--rbw", "50kHz"), "none.csv"},
		{dir, n1("--rbw", "50kHz"), dir},
		{file("empty.csv", ""), n1("--rbw", "50kHz"), "empty.csv: no points"},
		{file("binary.csv", "\x00\x01\xff"), n1("--rbw", "50kHz"), "binary.csv:1: not text"},
		{file("gap.csv", gap), n1("--rbw", "50kHz"), "gap between 2.138975 GHz and 2.139025 GHz: steps are 25 kHz, so one point is missing"},
		{file("cell.csv", "2140000000,loud\n"), n1("--rbw", "50kHz"), `cell.csv:1: level "loud" is not a number`},
		{file("nan.csv", "2140000000,nan\n"), n1("--rbw", "50kHz"), "nan.csv:1: level nan"},
		{file("mhz.csv", "2139,-20\n2140,-20\n2141,-20\n"), n1("--rbw", "50kHz"), "look like MHz"},
		{file("volt.csv", "hz,dbuv\n2139000000,87\n"), n1("--rbw", "50kHz"), "want dBm"},
		{good, n1("--rbw", "1MHz", "--clause", "6.6.2"), "1 MHz is too wide"},
		{good, n1("--rbw", "10kHz"), "too few points for a resolution bandwidth of 10 kHz"},
		{good, n1("--rbw", "50kHz", "--clause", "6.6.4"), "nothing could be answered"},
		{good, n1("--rbw", "50kHz", "--clause", "6.9"), "known are 6.2"},
		{good, n1("--rbw", "50kHz", "--clause", "6.2", "--clause", "6.2"), "stands twice"},
		{good, n1("--rbw", "fast"), "--rbw"},
		{good, n1("--rbw", "-1kHz"), "--rbw"},
		{good, n1("--rbw", "50kHz", "--rbw", "10kHz", "--rbw", "1kHz"), "--rbw: the number of values is 3, that of files 1"},
		{good, n1(), "--rbw"},
		{good, n1("--rbw", "50kHz", "--noise-factor", "10"), "--noise-factor"},
		{good, n1("--rbw", "50kHz", "--loss", "NaN"), "--loss"},
		{good, n1("--rbw", "50kHz", "--uncertainty", "-1dB"), "--uncertainty"},
		{good, n1("--rbw", "50kHz", "--correction", filepath.Join(dir, "none.csv")), "none.csv"},
		{good, n1("--rbw", "50kHz", "--correction", file("c.csv", "hello\n")), "c.csv:1"},
		{good, n1("--rbw", "50kHz", "--correction", file("short.csv", "frequency_hz,loss_db,uncertainty_db\n1e9,40,0.2\n2e9,41,0.2\n"), "--clause", "6.2"), "correction covers 1 GHz to 2 GHz"},
		{good, n1("--rbw", "50kHz", "--rule", "lenient"), "lenient"},
		{good, n1("--rbw", "50kHz", "--rule", "conformance-probability"), "probability"},
		{good, n1("--rbw", "50kHz", "--probability", "0.95"), "probability"},
		{good, n1("--rbw", "50kHz", "--option", "coexistence:n999"), "n999"},
		{good, n1("--rbw", "50kHz", "--limits", filepath.Join(dir, "none.yaml")), "none.yaml"},
		{good, n1("--rbw", "50kHz", "--limits", file("bad.yaml", "limits: [\n")), "bad.yaml"},
		{good, n1("--rbw", "50kHz", "--type", "1-H", "--transmit-units", "9"), "9 transmitter units"},
		{good, n1("--rbw", "50kHz", "--environment", "lunar", "--clause", "6.2"), "lunar"},
		{good, n1("--rbw", "50kHz", "--rule", "guarded"), "guard band factor"},
		{good, n1("--rbw", "50kHz", "--rule", "guarded", "--guard-band-factor", "1", "--clause", "6.2"), "no uncertainty"},
		{good, append(without("--rf-channel", n1("--rbw", "50kHz")), "--carrier", "2140.01MHz"), "nearest is 2.14 GHz or 2.1401 GHz"},
		{good, append(without("--rf-channel", n1("--rbw", "50kHz")), "--carrier", "2171MHz"), "the raster runs from 422500 to 433500"},
		{good, append(without("--rf-channel", n1("--rbw", "50kHz")), "--carrier", "1e15Hz"), "--carrier"},
		{good, without("--rf-channel", n1("--rbw", "50kHz")), "where is the carrier?"},
		{good, n1("--rbw", "50kHz", "--carrier", "2140MHz"), "--carrier"},
	} {
		_, stderr := command(t, exitUsage, append([]string{"analyze", "spectrum", c.file}, c.args...)...)
		if !strings.Contains(stderr, c.says) {
			t.Errorf("%s %s: %q does not say %q", filepath.Base(c.file), strings.Join(c.args, " "), stderr, c.says)
		}
	}
}

// must gives the value of a call that does not fail.
func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// A carrier given by its frequency is that of the RF channel that stands there,
// and a correction file brings its uncertainty along.
func TestAnalyzeCarrierAndCorrection(t *testing.T) {
	table := filepath.Join(t.TempDir(), "path.csv")
	if err := os.WriteFile(table, []byte("frequency_hz,loss_db,uncertainty_db\n2130000000,46,0.3\n2150000000,48,0.3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"--band", "n1", "--bandwidth", "5MHz", "--scs", "15kHz", "--class", "wide-area", "--rated-power", "46dBm", "--carrier", "2.14GHz",
		"--rbw", "50kHz", "--correction", table, "--rule", "guarded", "--guard-band-factor", "1", "--clause", "6.2,6.6.2"}
	got := analyzed(t, exitDone, "../../testdata/analyze/short.csv", args)
	checkValue(t, "power", got["6.2"], 46.2468, 0.01) // as in the golden file: the loss is 47 dB in the middle
	if u := got["6.2"]["uncertainty"]; u != 0.3 {
		t.Errorf("uncertainty %v, want that of the file", u)
	}
	if c := got["6.2"]["conditions"].(map[string]any); c["rf_channel"] != "M" || c["carrier_hz"] != 2140e6 {
		t.Errorf("conditions %v", c)
	}
	if loss := got["6.2"]["correction_db"]; loss != 47.0 {
		t.Errorf("correction %v, want 47 dB", loss)
	}
	if rule := got["6.6.2"]["rule"]; rule != "guarded, w = 1.00 U" {
		t.Errorf("rule %v", rule)
	}
}

// Environment, declared options and a required probability reach the limits and
// the rule: +-2.5 dB in the extreme environment (TS 38.104 6.2.2) plus 0.7 dB, and
// -52 dBm/MHz in the downlink of n3 (6.6.5.2.3).
func TestAnalyzeDeclarations(t *testing.T) {
	got := analyzed(t, exitDone, "../../testdata/analyze/short.csv", wideN1("5MHz", "--rbw", "50kHz", "--loss", "47dB", "--uncertainty", "0.5dB",
		"--clause", "6.2", "--environment", "extreme", "--rule", "conformance-probability", "--probability", "0.95"))
	if r := got["6.2"]; r["lower"] != 42.8 || r["upper"] != 49.2 || !strings.Contains(r["rule"].(string), "conformance-probability") {
		t.Errorf("got %v", r)
	}
	quiet := traceFile(t, 1842.5e6, 50e3, 1601, func(float64) float64 { return -70 }) // 1802.5 to 1882.5 MHz in 100 kHz
	got = analyzed(t, exitFailed, quiet, wideN1("20MHz", "--rbw", "100kHz", "--noise-factor", "1", "--clause", "6.6.5", "--option", "coexistence:n3", "--loss", "10dB"))
	r := got["6.6.5/coexistence:n3/1"]
	checkValue(t, "co-existence", r, -70+10+10, 1e-6)
	if r["upper"] != -52.0 || r["verdict"] != "fail" {
		t.Errorf("got %v", r)
	}
}

// The same figures as CSV: a header, a row for each, the worst point of each
// segment of the mask.
func TestAnalyzeAsCSV(t *testing.T) {
	// -60 dBm in 10 kHz is -40 dBm in 1 MHz and -50 dBm in 100 kHz, and a line of -20 dBm stands 26 MHz above the carrier.
	noise := traceFile(t, 2140e6, 5e3, 20001, func(offset float64) float64 {
		x := (offset - 26e6) / 10e3
		return 10 * math.Log10(1e-6+1e-2*math.Exp2(-4*x*x))
	})
	out, _ := command(t, exitDone, append([]string{"analyze", "spectrum", noise, "--format", "csv"}, wideN1("20MHz", "--rbw", "10kHz", "--clause", "6.6.4")...)...)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil || len(rows) != 7 {
		t.Fatalf("%d rows, %v:\n%s", len(rows), err, out)
	}
	if header := strings.Join(rows[0], " "); header != "clause figure value unit at lower upper margin uncertainty verdict note" {
		t.Errorf("header %q", header)
	}
	far := rows[6]
	at, err := rf.ParseHertz(far[4])
	if err != nil || math.Abs(float64(at)-2166e6) > 0.6e6 || far[2] != "-19.96" || far[7] != "+6.96" || !strings.Contains(far[1], "+10.5 MHz to +30 MHz") {
		t.Errorf("got %q, want the line of -20 dBm and 1 MHz of noise at 2166 MHz", far)
	}
}

// A lab's own file over the limit set is in force, and every result names it.
func TestAnalyzeUnderAnotherLimitSet(t *testing.T) {
	own := filepath.Join(t.TempDir(), "own.yaml")
	if err := os.WriteFile(own, []byte("limits: own-lab/1\nbase: ts-38.141-1/2026-11\ntolerances:\n  - {clause: \"6.2\", up_to: 3GHz, value: 0.1, source: our budget}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := analyzed(t, exitDone, "../../testdata/analyze/short.csv", wideN1("5MHz", "--rbw", "50kHz", "--loss", "47dB", "--clause", "6.2", "--limits", own))["6.2"]
	if set, _ := r["limit_set"].(string); r["upper"] != 48.1 || !strings.Contains(set, "own-lab/1 #") {
		t.Errorf("upper %v under %q", r["upper"], set)
	}
}
