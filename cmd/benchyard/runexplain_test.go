package main

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"testing"

	"benchyard/server/api"
)

// TestRunShowExplainsAVerdict measures a unit, judges it again under a stricter
// set, and has the first verdict told in every format.
func TestRunShowExplainsAVerdict(t *testing.T) {
	r, file := measuredRig(t)
	r.rejudge(t, exitFailed, "rejudge", "--all", "--reason", "strict", "--by", "ann", "--limits", file("strict.yaml", strictLimits))
	var run string
	if err := r.db.QueryRow(t.Context(), `SELECT id::text FROM run`).Scan(&run); err != nil {
		t.Fatal(err)
	}
	text, _ := r.rejudge(t, exitDone, "show", run, "--explain", "6.2")
	at := 0
	for _, want := range []string{"(simulated)", "1. Read at the analyzer", ", certificate ", "Level as read: ", "2. Path correction", "Path loss added: +", "3. Figure at the connector",
		"output power: ", "4. Uncertainty", "U = ", "Degrees of freedom", "path correction", "mismatch unit to path", "5. Requirement", "limit set ts-38.141-1/", "±2.00 dB, source: TS 38.104", "Test tolerance: ",
		"6. Decision rule", "Risk of this verdict: ", "false accept", "7. Verdict", "Verdict: pass", "Because: ", "Judged again", "strict, by ann, with ", "fail: "} {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Errorf("after byte %d the explanation lacks %q:\n%s", at, want, text)
			continue
		}
		at += i
	}
	out, _ := r.rejudge(t, exitDone, "show", run, "--explain", "6.2", "--format", "json")
	var x api.Explanation
	if err := json.Unmarshal([]byte(out), &x); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if x.Result.Budget == nil || x.Result.Risk == nil || x.Limit == nil || len(x.Later) != 1 || x.Later[0].Figure.Verdict != "fail" || x.Read.Analyzer == "" ||
		x.Read.AsReadDBm == nil || math.Abs(*x.Read.AsReadDBm+*x.Result.CorrectionDB-x.Result.Value) > 1e-9 {
		t.Errorf("the explanation is not complete: %s", out)
	}
	number := strconv.FormatInt(x.Result.CaseID, 10)
	out, _ = r.rejudge(t, exitDone, "show", run, "--explain", "6.2", "--case", number, "--format", "csv")
	if rows, err := csv.NewReader(strings.NewReader(out)).ReadAll(); err != nil || len(rows) < 25 {
		t.Errorf("%d rows, %v: %s", len(rows), err, out)
	}
	if out, _ = r.rejudge(t, exitDone, "show", run); !strings.Contains(out, "key") || !strings.Contains(out, number) {
		t.Errorf("the table names neither key nor case %s: %s", number, out)
	}
	out, _ = r.rejudge(t, exitDone, "show", run, "--steps")
	at = 0
	for _, want := range []string{"segment", "tries", "DC on", "unit and build", "carriers", "initial calibration", "tracking", "interlocks", "transmit", "ramp", "settle", "at the connector"} {
		i := strings.Index(out[at:], want)
		if i < 0 {
			t.Errorf("after byte %d the steps lack %q:\n%s", at, want, out)
			continue
		}
		at += i
	}
	out, _ = r.rejudge(t, exitDone, "show", run, "--steps", "--format", "json")
	var steps []api.Step
	if err := json.Unmarshal([]byte(out), &steps); err != nil || len(steps) < 15 || steps[0].Number != 1 || steps[0].Outcome != "done" || steps[0].BeganAt.IsZero() {
		t.Errorf("%d steps, %v: %s", len(steps), err, out)
	}
	for _, c := range []struct{ says, args string }{
		{"its keys are 6.2", "--explain 6.9"}, {"cases with it are " + number, "--explain 6.2 --case 999999"},
		{"leave --explain", "--steps --clause 6.2"}, {"leave --explain", "--steps --explain 6.2"}, {"give both", "--case " + number}, {"leave --clause", "--explain 6.2 --clause 6.2"},
	} {
		if _, stderr := r.rejudge(t, exitUsage, append([]string{"show", run}, strings.Fields(c.args)...)...); !strings.Contains(stderr, c.says) {
			t.Errorf("%s: %q does not say %q", c.args, stderr, c.says)
		}
	}
}

// A curve is printed for people with at most 24 of its points, each with its limit.
func TestCurvesArePrinted(t *testing.T) {
	limit := -50.0
	long := api.Curve{Title: "Settling", XName: "time", XUnit: "s", YName: "image", YUnit: "dB", Upper: &limit}
	for n := range 100 {
		long.X, long.Y = append(long.X, float64(n)), append(long.Y, -40)
	}
	lines := api.Curve{Title: "Lines", XName: "offset", XUnit: "MHz", YName: "level", YUnit: "dB", X: []float64{10, -10}, Y: []float64{0, -44.5},
		Lines: true, Limits: []*float64{nil, &limit}}
	var b strings.Builder
	for _, k := range []api.Curve{long, lines} {
		if err := writeCurve(&b, k); err != nil {
			t.Fatal(err)
		}
	}
	text := b.String()
	if n := strings.Count(text, "-40 dB"); n != 20 || !strings.Contains(text, "every 5. of 100 points") {
		t.Errorf("%d of 100 points: %s", n, text)
	}
	if rows := strings.Split(strings.TrimSpace(text[strings.Index(text, "Lines"):]), "\n"); len(rows) != 4 ||
		strings.Contains(rows[2], "-50") || !strings.Contains(rows[3], "-44.5 dB") || !strings.Contains(rows[3], "-50.00") {
		t.Errorf("lines with their limits: %s", text)
	}
}
