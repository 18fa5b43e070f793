package server

import (
	"net/http"
	"strings"
	"testing"

	"benchyard/jobs/retention"
	"benchyard/server/api"
)

// Whoever looks at a run with thinned evidence sees what went, when and under
// which policy; the figures are there, and what cannot be drawn says why.
func TestThinnedEvidenceIsSaid(t *testing.T) {
	s := seed(t)
	run := s.runs["2.5.0 T4-0002"]
	exec := func(sql string, args ...any) {
		t.Helper()
		if _, err := s.pool.Exec(t.Context(), sql, args...); err != nil {
			t.Fatal(err)
		}
	}
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	before, err := client.Run(t.Context(), run.String())
	if err != nil || before.Evidence != (api.Evidence{State: "complete", Text: "complete"}) {
		t.Errorf("before: %+v, %v", before.Evidence, err)
	}
	exec(`UPDATE trace SET levels = NULL WHERE case_id IN (SELECT id FROM measured_case WHERE run_id = $1)`, run)
	exec(`INSERT INTO evidence_change (run_id, what, policy, pieces, bytes) VALUES ($1, 'passed traces', 'inventory 7', 12, 100)`, run)
	if _, err := retention.Keep(t.Context(), s.pool, retention.Subject{Serial: "T4-0002"}, "<dispute>", "ann"); err != nil {
		t.Fatal(err)
	}
	after, err := client.Run(t.Context(), run.String())
	if err != nil || after.Evidence.State != "thinned" || !after.Evidence.Held || !strings.Contains(after.Evidence.Text, "under inventory 7; held by ann") {
		t.Errorf("after: %+v, %v", after.Evidence, err)
	}
	if len(after.Cases) != len(before.Cases) || len(after.Cases[0].Results) != len(before.Cases[0].Results) {
		t.Error("figures are gone")
	}
	h := newTestServer(t, s).Handler()
	id := s.caseID(t, "T4-0002", "6.6.3")
	for path, want := range map[string]struct {
		status int
		says   string
	}{
		"/runs/" + run.String():                   {200, "held by ann"},
		"/cases/" + id:                            {200, "thinned under the retention policy"},
		"/api/v1/cases/" + id:                     {200, `"lost"`},
		"/api/v1/cases/" + id + "/traces/1":       {http.StatusGone, "thinned"},
		"/api/v1/cases/" + id + "/series":         {200, `"series"`},
		"/api/v1/runs/" + run.String():            {200, `"evidence"`},
		"/cases/" + s.caseID(t, "T4-0002", "6.2"): {200, "nothing can be judged again"},
	} {
		status, _, body := get(t, h, path)
		if status != want.status || !strings.Contains(body, want.says) {
			t.Errorf("%s: status %d, want %d and %q", path, status, want.status, want.says)
		}
		if !strings.HasPrefix(path, "/api/") && strings.Contains(body, "<dispute>") {
			t.Errorf("%s: a reason is written as it is", path)
		}
	}
}

// An agent that was refused is on the board.
func TestRefusedAgentIsOnTheBoard(t *testing.T) {
	s := seed(t)
	_, err := s.pool.Exec(t.Context(), `INSERT INTO agent (name, version, level, refused) VALUES ('lab-pc-3', 'abc', 7, 'upgrade it'), ('good', 'abc', 14, NULL)`)
	if err != nil {
		t.Fatal(err)
	}
	status, _, body := get(t, newTestServer(t, s).Handler(), "/")
	if status != 200 || !strings.Contains(body, "Agent lab-pc-3 was refused") || strings.Contains(body, "Agent good") {
		t.Errorf("status %d, board %s", status, body)
	}
}
