package server

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"

	"benchyard/server/api"
)

// goldenRuns makes T4-0001 the golden unit of bench-1 and gives it so many finished
// checks, whose figures of clause 6.2 alternate by 0.1 dB, and a newest that is off.
func (s *seeded) goldenRuns(t *testing.T, checks int, off float64) {
	t.Helper()
	s.reapply(t, `{name: bench-1,`, `{name: bench-1, golden_unit: T4-0001, golden_every: 24h,`)
	of := s.runs["2.5.0 T4-0001"]
	for n := range checks {
		id, value := uuid.Must(uuid.NewV7()), 0.1*float64(n%2)
		if n == checks-1 {
			value = off
		}
		s.exec(t, `INSERT INTO run (id, campaign_id, serial, unit_type, attempt, state, bench, verdict, cases, queued_at, started_at, finished_at, golden)
			SELECT $2, campaign_id, serial, unit_type, 10 + $3::int, 'done', 'bench-1', 'pass', 1, now(), now() - interval '1 hour', now() + make_interval(secs => $3::int), true FROM run WHERE id = $1`, of, id, n)
		s.exec(t, `INSERT INTO run_segment (run_id, number, title, cases) SELECT $2, number, title, cases FROM run_segment WHERE run_id = $1`, of, id)
		s.exec(t, `INSERT INTO measured_case (run_id, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz, connector, test_model, verdict, measured_at)
			SELECT $2, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz, connector, test_model, verdict, now() + make_interval(secs => $3::int)
			FROM measured_case WHERE run_id = $1 AND clause = '6.2' ORDER BY id LIMIT 1`, of, id, n)
		s.exec(t, `INSERT INTO measurement (case_id, requirement_key, clause, title, quantity, side, value, unit, lower_limit, upper_limit, margin, uncertainty, core, tolerance, verdict, rule, source, provenance)
			SELECT n.id, x.requirement_key, x.clause, title, quantity, side, value + $3::double precision, unit, lower_limit, upper_limit, margin, uncertainty, core, tolerance, x.verdict, rule, source, provenance
			FROM measurement x JOIN measured_case c ON c.id = x.case_id JOIN measured_case n ON n.run_id = $2 WHERE c.run_id = $1 AND c.clause = '6.2'
			  AND c.id = (SELECT min(id) FROM measured_case WHERE run_id = $1 AND clause = '6.2')`, of, id, value)
	}
}

// The page of a bench draws its golden unit over time without scripts, names what left
// its limits, and has a form for everything a person may do there.
func TestBenchPage(t *testing.T) {
	s := seed(t)
	s.goldenRuns(t, 12, 3)
	s.exec(t, `UPDATE bench SET hold_reason = 'new cables', alarm = 'T4-0001 transmitter off: no answer' WHERE name = 'bench-1'`)
	h := newTestServer(t, s).Handler()
	status, _, body := get(t, h, "/benches/bench-1")
	for _, want := range []string{
		"new cables", "no answer", "/benches/bench-1/release", "/benches/bench-1/clear-alarm", "I have looked", "/benches/bench-1/golden/begin-anew",
		"left its limits", "one check in 370", "<svg viewBox", "limit ", `href="/benches/bench-1?figure=1"`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if dots := strings.Count(body, `class="dot"`); status != http.StatusOK || dots == 0 || dots%12 != 0 || strings.Contains(body, "/benches/bench-1/hold") {
		t.Errorf("status %d, %d points of twelve checks; a held bench is not held again", status, dots)
	}
	if _, _, body = get(t, h, "/benches/bench-3"); !strings.Contains(body, "/benches/bench-3/hold") || !strings.Contains(body, "no golden unit") || strings.Contains(body, "clear-alarm") {
		t.Error("a free bench without golden unit is not shown as one")
	}
	if _, _, body = get(t, h, "/"); !strings.Contains(body, `href="/benches/bench-1"`) {
		t.Error("the board does not lead to the bench")
	}
	for path, want := range map[string]int{"/benches/bench-1?figure=1": 200, "/benches/bench-1?figure=99": 400, "/benches/bench-1?figure=x": 400, "/benches/nowhere": 404, "/benches/%2e": 404} {
		if status, _, _ := get(t, h, path); status != want {
			t.Errorf("%s: status %d, want %d", path, status, want)
		}
	}
}

// The forms of the page do what they say, with the name of who did it, and lead back.
func TestBenchForms(t *testing.T) {
	s := seed(t)
	s.goldenRuns(t, 1, 0)
	s.exec(t, `UPDATE bench SET alarm = 'no answer' WHERE name = 'bench-1'`)
	address := serve(t, newTestServer(t, s))
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	send := func(what string, form url.Values) int {
		t.Helper()
		response, err := client.PostForm(address+"/benches/bench-1/"+what, form)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		if to := response.Header.Get("Location"); response.StatusCode == http.StatusSeeOther && to != "/benches/bench-1" {
			t.Errorf("%s leads to %q", what, to)
		}
		return response.StatusCode
	}
	for _, c := range []struct {
		what string
		form url.Values
	}{
		{"hold", url.Values{"by": {"ann"}}}, {"hold", url.Values{"reason": {"x"}}}, {"hold", url.Values{"by": {"ann\nbob"}, "reason": {"x"}}},
		{"hold", url.Values{"by": {"ann"}, "reason": {strings.Repeat("x", 301)}}}, {"release", nil}, {"clear-alarm", url.Values{"by": {" "}}},
		{"golden/begin-anew", url.Values{"by": {"ann"}, "reason": {" "}}}, {"explode", url.Values{"by": {"ann"}}},
	} {
		if status := send(c.what, c.form); status/100 != 4 {
			t.Errorf("%s with %v: status %d", c.what, c.form, status)
		}
	}
	check := func(want string) {
		t.Helper()
		var is string
		if err := s.pool.QueryRow(t.Context(), `SELECT coalesce(hold_reason, '-') || ' ' || coalesce(alarm, '-') || ' ' || (SELECT count(*) FROM golden_baseline WHERE begun_by = 'ann' AND reason = 'new cables')
			FROM bench WHERE name = 'bench-1'`).Scan(&is); err != nil || is != want {
			t.Errorf("the bench is %q, %v; want %q", is, err, want)
		}
	}
	check("- no answer 0")
	for _, c := range []struct {
		what string
		form url.Values
		then string
	}{
		{"hold", url.Values{"by": {"ann"}, "reason": {"cables"}}, "cables no answer 0"},
		{"release", url.Values{"by": {"ann"}}, "- no answer 0"},
		{"clear-alarm", url.Values{"by": {"ann"}}, "- - 0"},
		{"golden/begin-anew", url.Values{"by": {"ann"}, "reason": {"new cables"}}, "- - 1"},
	} {
		if status := send(c.what, c.form); status != http.StatusSeeOther {
			t.Errorf("%s: status %d", c.what, status)
		}
		check(c.then)
	}
}

// leaveOff leaves a path of bench-1 off its connector, as a path task does that ended early.
func (s *seeded) leaveOff(t *testing.T) {
	t.Helper()
	s.exec(t, `INSERT INTO path_task (id, kind, bench, slot, connector, frequencies_hz, level_dbm, asked_by, state, error, finished_at, displaced)
		VALUES ($1, 'measure', 'bench-1', 1, 2, '{3.5e9}', 0, 'ann', 'error', 'gone', now(), true)`, uuid.New())
	s.exec(t, `UPDATE bench SET hold_reason = 'the path may be off' WHERE name = 'bench-1'`)
}

// A bench whose path may be off its connector is released only with the word that it is
// back. The page asks for that word there, and nowhere else.
func TestReleaseWithAPathOff(t *testing.T) {
	s := seed(t)
	s.leaveOff(t)
	server := newTestServer(t, s)
	address := serve(t, server)
	page := func() string {
		t.Helper()
		_, _, body := get(t, server.Handler(), "/benches/bench-1")
		return body
	}
	if body := page(); !strings.Contains(body, `name="path_back"`) || !strings.Contains(body, "slot 1 connector 2 is off the generator and back") {
		t.Errorf("the page does not ask for the path:\n%s", body)
	}
	client, err := api.NewClient(address, nil)
	if err != nil {
		t.Fatal(err)
	}
	var problem *api.Problem
	_, err = client.ReleaseBench(t.Context(), "bench-1", api.BenchChange{By: "ann"})
	if !errors.As(err, &problem) || problem.Status != http.StatusUnprocessableEntity || !strings.Contains(problem.Detail, "slot 1 connector 2 may still be joined to the generator") {
		t.Errorf("released without a word: %v", err)
	}
	b, err := client.ReleaseBench(t.Context(), "bench-1", api.BenchChange{By: "ann", PathBack: true})
	if err != nil || b.Hold != "" || b.PathsOff != "" {
		t.Errorf("released: %+v, %v", b, err)
	}
	s.exec(t, `UPDATE bench SET hold_reason = 'cables' WHERE name = 'bench-1'`)
	if strings.Contains(page(), "path_back") {
		t.Error("the page asks for a path that is where it belongs")
	}
	s.leaveOff(t)
	for _, c := range []struct {
		form   url.Values
		status int
	}{
		{url.Values{"by": {"bob"}}, http.StatusUnprocessableEntity},
		{url.Values{"by": {"bob"}, "path_back": {"yes"}}, http.StatusOK}, // of the page it leads back to
	} {
		response, err := http.PostForm(address+"/benches/bench-1/release", c.form)
		if err != nil {
			t.Fatal(err)
		}
		if response.Body.Close(); response.StatusCode != c.status {
			t.Errorf("%v: status %d, want %d", c.form, response.StatusCode, c.status)
		}
	}
	if strings.Contains(page(), "path_back") {
		t.Error("the page still asks for the path")
	}
}

// A program does the same by the client, and reads the golden unit with its readings.
func TestBenchesByTheClient(t *testing.T) {
	s := seed(t)
	s.goldenRuns(t, 12, 3)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	b, err := client.HoldBench(ctx, "bench-1", api.BenchChange{By: "ann", Reason: "cables"})
	if err != nil || b.Name != "bench-1" || b.Hold != "cables" {
		t.Errorf("held: %+v, %v", b, err)
	}
	if b, err = client.ReleaseBench(ctx, "bench-1", api.BenchChange{By: "ann"}); err != nil || b.Hold != "" {
		t.Errorf("released: %+v, %v", b, err)
	}
	if b, err = client.ClearAlarm(ctx, "bench-1", api.BenchChange{By: "ann"}); err != nil || b.Alarm != "" {
		t.Errorf("cleared: %+v, %v", b, err)
	}
	if b, err = client.Bench(ctx, "bench-1"); err != nil || b.Golden == nil || b.Golden.Serial != "T4-0001" {
		t.Errorf("bench: %+v, %v", b, err)
	}
	r, err := client.Golden(ctx, "bench-1")
	if err != nil || len(r.Figures) == 0 || len(r.Begun) != 0 {
		t.Fatalf("golden: %+v, %v", r, err)
	}
	for _, f := range r.Figures {
		// Eleven readings alternate by 0.1 dB: the limits are some tenths away, the newest 3 dB.
		if f.Earlier != 11 || !f.Signal || f.Lower == nil || f.Upper == nil || *f.Upper-*f.Lower > 1.5 || len(f.Readings) != 12 || f.Readings[11].Value != f.Newest || f.Readings[0].CaseID == 0 {
			t.Errorf("figure %+v", f)
		}
	}
	if r, err = client.BeginGolden(ctx, "bench-1", api.BenchChange{By: "ann", Reason: "new cables"}); err != nil || len(r.Begun) != 1 || r.Begun[0].By != "ann" || len(r.Figures) != 0 {
		t.Errorf("begun anew: %+v, %v", r, err)
	}
	var problem *api.Problem
	for _, c := range []struct {
		bench string
		said  api.BenchChange
		want  int
	}{{"bench-1", api.BenchChange{By: "ann"}, 422}, {"bench-1", api.BenchChange{Reason: "x"}, 422}, {"nowhere", api.BenchChange{By: "ann", Reason: "x"}, 404}, {"bench-1", api.BenchChange{By: "\x07", Reason: "x"}, 400}} {
		if _, err := client.HoldBench(ctx, c.bench, c.said); !errors.As(err, &problem) || problem.Status != c.want {
			t.Errorf("%+v: %v, want status %d", c, err, c.want)
		}
	}
	if _, err := client.BeginGolden(ctx, "bench-2", api.BenchChange{By: "ann", Reason: "x"}); !errors.As(err, &problem) || problem.Status != 422 || !strings.Contains(fmt.Sprint(err), "golden_unit") {
		t.Errorf("a bench without golden unit: %v", err)
	}
}
