package server

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"benchyard/jobs"
	"benchyard/jobs/scheduler"
	"benchyard/server/api"
)

// The queue of a bench in alarm keeps its order and has no times.
func TestQueueOverTheAPI(t *testing.T) {
	s := seed(t)
	client, err := api.NewClient(serve(t, newTestServer(t, s)), nil)
	if err != nil {
		t.Fatal(err)
	}
	q, err := client.Queue(t.Context())
	if err != nil || len(q.Runs) != 1 || len(q.Mount) != 0 || len(q.Stranded) != 0 {
		t.Fatalf("queue %+v, %v", q, err)
	}
	r := q.Runs[0]
	if r.Serial != "F2-0002" || r.Bench != "bench-2" || r.Position != 1 || r.Priority != "normal" || r.StartsAt != nil || !strings.HasPrefix(r.Waits, "the bench is in alarm: ") {
		t.Errorf("in alarm: %+v", r)
	}
	s.exec(t, `UPDATE bench SET alarm = NULL, hold_reason = NULL`)
	s.exec(t, `UPDATE campaign SET priority = 50, deadline = now() + interval '1 s'`)
	if q, err = client.Queue(t.Context()); err != nil || q.Runs[0].EndsBy == nil || !q.Runs[0].EndsBy.After(*q.Runs[0].EndsAt) {
		t.Fatalf("free: %+v, %v", q, err)
	}
	if r := q.Runs[0]; r.Waits != "next" || r.Priority != "high" || !r.Late || r.Deadline == nil {
		t.Errorf("free: %+v, want it next and late", r)
	}
	c, err := client.Campaign(t.Context(), s.new.String())
	if err != nil || c.EndsAt == nil || c.EndsBy == nil || c.EndsBy.Before(*c.EndsAt) || c.Priority != "high" || c.Deadline == nil {
		t.Errorf("campaign %+v, %v", c, err)
	}
}

func TestQueuePage(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	for i := range 3 {
		s.exec(t, `INSERT INTO bench_takeover (bench, token, holder, abandoned) VALUES ('bench-1', $1, 'x', true)`, 10+i)
	}
	_, _, board := get(t, h, "/")
	if !strings.Contains(board, "Flapping") || !strings.Contains(board, "taken over 3 times within an hour") {
		t.Error("the board does not say that bench-1 flaps")
	}
	status, _, body := get(t, h, "/queue")
	for _, text := range []string{"F2-0002", "bench-2", "night 2.5.0", "normal", "ann", "the bench is in alarm", "Simulated: no figure here", `href="/queue" aria-current="page"`} {
		if status != http.StatusOK || !strings.Contains(body, text) {
			t.Errorf("status %d, the page lacks %q", status, text)
		}
	}
	s.exec(t, `UPDATE run SET state = 'cancelled', verdict = 'aborted', finished_at = now() WHERE state = 'queued'`)
	if _, _, body := get(t, h, "/queue"); !strings.Contains(body, "Nothing waits") {
		t.Error("an empty queue is not called empty")
	}
}

// What is to be mounted, and what no bench can take, go over the wire with times
// that count from the forecast.
func TestMountListOnTheWireAndThePage(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	run := jobs.QueuedRun{Run: uuid.Nil, Serial: "u1", Class: scheduler.Urgent, Position: 2, Begins: true,
		Start: jobs.Span{P50: time.Minute}, End: jobs.Span{P50: 2 * time.Minute, P95: 3 * time.Minute}}
	q := QueueToWire(jobs.Forecast{Queue: []jobs.QueuedRun{run}}, []jobs.MountPlace{{Serial: "u2", Bench: "b", Slot: 3, TakeOut: "u9", Start: time.Hour}, {Serial: "u3", Bench: "b"}},
		[]jobs.StrandedUnit{{Serial: "u4", Reasons: []string{"b has no cold"}}}, now)
	if r := q.Runs[0]; !r.StartsAt.Equal(now.Add(time.Minute)) || !r.EndsAt.Equal(now.Add(2*time.Minute)) || !r.EndsBy.Equal(now.Add(3*time.Minute)) || r.Priority != "urgent" {
		t.Errorf("run %+v", r)
	}
	if m := q.Mount[0]; m.Slot != 3 || m.TakeOut != "u9" || !m.WantedAt.Equal(now.Add(time.Hour)) {
		t.Errorf("place %+v", m)
	}
	pages, err := parseTemplates(time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	s := &Server{pages: pages}
	parts, err := s.fragments("queue", part{"waiting", "waiting", queueData{q}})
	if err != nil {
		t.Fatal(err)
	}
	html := string(parts[0].HTML)
	for _, text := range []string{"Mount next", "take u9 out", "as soon as one is free", "u4", "b has no cold", "urgent", "09:00"} {
		if !strings.Contains(html, text) {
			t.Errorf("the page lacks %q in %s", text, html)
		}
	}
}
