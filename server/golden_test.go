package server

import (
	"strings"
	"testing"

	"benchyard/jobs/lab"
)

// The board and its JSON name the golden unit of a bench, and that its check is due.
func TestGoldenUnitStandsOnTheBoard(t *testing.T) {
	s := seed(t)
	document := strings.Replace(inventoryDocument(), "{name: bench-1,", "{name: bench-1, golden_unit: T4-0001, golden_every: 24h,", 1)
	if _, _, err := lab.Apply(t.Context(), s.pool, "lab.yaml", []byte(document), "ann"); err != nil {
		t.Fatal(err)
	}
	h := newTestServer(t, s).Handler()
	shows := func(path string, want ...string) {
		t.Helper()
		_, _, body := get(t, h, path)
		for _, text := range want {
			if strings.Count(body, text) != 1 {
				t.Errorf("%s has %d times %q, want it once", path, strings.Count(body, text), text)
			}
		}
	}
	shows("/", `<span class="warn">T4-0001, <strong>overdue</strong></span>`)
	shows("/api/v1/benches", `"golden":{"serial":"T4-0001","due":null,"overdue":true}`)

	s.exec(t, `UPDATE run SET golden = true, finished_at = '2026-01-01 12:00Z' WHERE id = $1`, s.runs["2.5.0 T4-0001"])
	shows("/", `<span class="warn">T4-0001 <span class="time">due 2026-01-02 12:00`)
	shows("/api/v1/benches", `"golden":{"serial":"T4-0001","due":"2026-01-02T12:00:00Z","overdue":true}`)

	s.exec(t, `UPDATE run SET finished_at = now() WHERE id = $1`, s.runs["2.5.0 T4-0001"])
	shows("/api/v1/benches", `"overdue":false}`)
}
