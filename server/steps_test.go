package server

import (
	"encoding/json"
	"html"
	"strings"
	"testing"

	"benchyard/server/api"
)

// The steps by which a unit was brought up stand on the page of its run, in their order,
// with what came of each.
func TestStepsStandOnThePageOfTheRun(t *testing.T) {
	s := seed(t)
	run := s.runs["2.5.0 T4-0001"]
	for number, step := range []struct {
		name, outcome, detail string
		tries                 int
	}{{"DC on", "done", "", 1}, {"transmit timer", "by the unit itself", "", 0}, {"tracking", "failed", "the tracking calibrations are <FAIL>", 2}} {
		s.exec(t, `INSERT INTO run_step (run_id, segment, attempt, number, name, outcome, detail, tries, began_at, duration_s)
			VALUES ($1, 1, 1, $2, $3, $4, $5, $6, '2026-11-25 12:00:01Z', 1.25)`, run, number+1, step.name, step.outcome, step.detail, step.tries)
	}
	h := newTestServer(t, s).Handler()
	status, _, body := get(t, h, "/runs/"+run.String())
	at := 0
	for _, want := range []string{"Bring-up and retune, 3 steps", "DC on", "1.250 s", "done", "transmit timer", "by the unit itself", "tracking", "failed", "&lt;FAIL&gt;"} {
		i := strings.Index(body[at:], want)
		if i < 0 {
			t.Fatalf("status %d; after byte %d the page lacks %q: %s", status, at, want, html.UnescapeString(body[at:]))
		}
		at += i
	}
	_, _, text := get(t, h, "/api/v1/runs/"+run.String())
	var detail api.RunDetail
	if err := json.Unmarshal([]byte(text), &detail); err != nil || len(detail.Steps) != 3 || detail.Steps[2].Tries != 2 || detail.Steps[1].Outcome != "by the unit itself" {
		t.Errorf("steps %+v, %v", detail.Steps, err)
	}
}
