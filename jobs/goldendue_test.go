package jobs

import (
	"errors"
	"strings"
	"testing"

	"benchyard/jobs/results"

	"github.com/google/uuid"
)

// A golden check that is due is queued by the program itself: once, as the last one was
// measured, behind the work of people. While it is open, and for a day after it, there is
// no other.
func TestDueGoldenCheckIsQueuedOnce(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, nil)
	b.declareGolden("T4-0001")
	first := b.submit(onePower, "T4-0001")["T4-0001"]
	b.start("a", nil)
	b.await(first)
	if n := b.count(`SELECT count(*) FROM run`); n != 1 {
		t.Fatalf("%d runs when no check is due", n)
	}
	mustExec(t, b.pool, `UPDATE run SET queued_at = queued_at - interval '25 hours', started_at = started_at - interval '25 hours', finished_at = finished_at - interval '25 hours'`)
	var check uuid.UUID
	eventually(t, "a check that nobody queued", func() bool {
		return b.pool.QueryRow(t.Context(), `SELECT id FROM run WHERE id <> $1`, first).Scan(&check) == nil
	})
	if r := b.await(check); r.State != Done || r.Serial != "T4-0001" || r.Build != "2.4.0" || r.Title != "Golden check of bench-1" {
		t.Errorf("check %+v", r)
	}
	// The run of another unit after it shows that the bench went on looking for work.
	b.await(b.submit(onePower, "T4-0002")["T4-0002"])
	if n := b.count(`SELECT count(*) FROM run WHERE serial = 'T4-0001'`); n != 2 {
		t.Errorf("%d runs of the golden unit, want two", n)
	}
	if n := b.count(`SELECT count(*) FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN campaign f ON f.plan_id = c.plan_id JOIN run p ON p.campaign_id = f.id
		WHERE r.id = $1 AND p.id = $2 AND r.golden AND c.requested_by = 'benchyard' AND c.priority > 100`, check, first); n != 1 {
		t.Error("the check is not golden, not of the program, or of another plan")
	}
	if n := b.count(`SELECT count(*) FROM event WHERE kind = 'campaign' AND body->>'by' = 'benchyard'`); n == 0 {
		t.Error("no event says who asked for it")
	}
}

// Whoever begins anew says who and why; runs before it are not compared any more, but
// stay.
func TestGoldenUnitIsComparedAnew(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, nil)
	b.start("a", nil)
	first := b.submit(onePower, "T4-0001")["T4-0001"]
	b.await(first)
	b.goldenHistory(first, 5*goldenSigma)
	var refusal *BenchError
	if err := BeginGolden(t.Context(), b.pool, "bench-1", "ann", "new cables"); !errors.As(err, &refusal) || !strings.Contains(refusal.Problem, "golden_unit") {
		t.Errorf("a bench without golden unit: %v", err)
	}
	b.declareGolden("T4-0001")
	for _, c := range []struct{ by, reason string }{{"", "x"}, {" ", "x"}, {"ann", ""}, {"ann", " \t"}} {
		if err := BeginGolden(t.Context(), b.pool, "bench-1", c.by, c.reason); !errors.As(err, &refusal) {
			t.Errorf("by %q because of %q: %v", c.by, c.reason, err)
		}
	}
	if err := BeginGolden(t.Context(), b.pool, "bench-9", "ann", "x"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown bench: %v", err)
	}
	if err := BeginGolden(t.Context(), b.pool, "bench-1", "ann", "new cables"); err != nil {
		t.Fatal(err)
	}
	b.await(b.submit(onePower, "T4-0001")["T4-0001"])
	if hold := b.bench("bench-1").Hold; hold != "" {
		t.Errorf("held against what was before: %s", hold)
	}
	figures, err := results.GoldenFigures(t.Context(), b.pool, "bench-1", "T4-0001")
	if err != nil || len(figures) != 1 || figures[0].Earlier != 0 || figures[0].Missing == "" {
		t.Errorf("figures %+v, %v; want one with nothing before it", figures, err)
	}
	if n := b.count(`SELECT count(*) FROM run WHERE golden`); n != 11 {
		t.Errorf("%d golden runs are stored, want ten before and one after", n)
	}
	if n := b.count(`SELECT count(*) FROM event WHERE kind = 'bench' AND body->>'by' = 'ann' AND body->>'text' LIKE '%compared anew%new cables'`); n != 1 {
		t.Errorf("%d events of it", n)
	}
}
