package jobs

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/jobs/lab"

	"github.com/jackc/pgx/v5"
)

func TestOpenRunCountsItsClausesFromStoredCases(t *testing.T) {
	pool := benchPool(t)
	f := newQueueFixture(t, pool, "bench-1", "T4-0001", "T4-0002")
	f.measured(t, "T4-0001", 1, 1, "pass", 1.5)
	f.measured(t, "T4-0001", 1, 2, "fail", -0.25)
	runs, err := RunsOf(t.Context(), pool, f.campaign)
	if err != nil || len(runs) != 2 {
		t.Fatalf("runs %+v, %v", runs, err)
	}
	k := runs[0].Clauses["6.2"]
	if runs[0].CasesDone != 2 || k.Cases != 2 || k.Passed != 1 || k.Failed != 1 || k.Verdict != "fail" || k.WorstMargin == nil || *k.WorstMargin != -0.25 || k.Unit != "dB" {
		t.Errorf("run %+v, clause %+v", runs[0], k)
	}
	if len(runs[1].Clauses) != 0 || runs[1].CasesDone != 0 {
		t.Errorf("untouched run %+v", runs[1])
	}
	mustExec(t, pool, `INSERT INTO run_rollup (run_id, clause, verdict, cases, passed, failed, errors, worst_margin, unit)
		VALUES ($1, '6.2', 'conditional fail', 9, 8, 1, 0, -1, 'dB')`, f.runs["T4-0001"])
	if k := run(t, pool, f.runs["T4-0001"]).Clauses["6.2"]; k.Cases != 9 || k.Verdict != "conditional fail" {
		t.Errorf("stored roll-up was not used: %+v", k)
	}
}

// Three runs of 60 s nominal on one bench: one measured half, in a segment that took
// half its nominal 30 s. One observation moves the pace half of the way, so that
// 30 s + 60 s + 60 s nominal become 150 s/√2.
func TestForecastFollowsThePaceOfFinishedSegments(t *testing.T) {
	pool := benchPool(t)
	if _, _, err := lab.Apply(t.Context(), pool, "lab.yaml", paperLab(40, "26.5GHz"), "ann"); err != nil {
		t.Fatal(err)
	}
	f := newQueueFixture(t, pool, "bench-1", "T4-0001", "T4-0002", "T4-0003")
	before, err := ETA(t.Context(), pool)
	if err != nil || before.Measured || math.Abs(before.Remaining.Seconds()-180) > 30 || before.Runs != 3 || before.Likely <= before.Remaining {
		t.Fatalf("nominal forecast %+v, %v; want about 3 min", before, err)
	}
	id := f.runs["T4-0002"] // released first: goes before the others
	mustExec(t, pool, `UPDATE run SET state = 'active', started_at = now() WHERE id = $1`, id)
	mustExec(t, pool, `UPDATE run_segment SET state = 'done', started_at = now() - interval '15 s', finished_at = now() WHERE run_id = $1 AND number = 1`, id)
	for i := range 3 {
		f.measured(t, "T4-0002", 1, i+1, "pass", 1)
	}
	after, err := ETA(t.Context(), pool)
	if err != nil {
		t.Fatal(err)
	}
	if want := 150 / math.Sqrt2; !after.Measured || math.Abs(after.Remaining.Seconds()-want) > 20 ||
		after.Benches["bench-1"].P50 != after.Remaining || after.Campaigns[f.campaign].P50 != after.Remaining || after.Campaigns[f.campaign].P95 != after.Likely {
		t.Errorf("forecast %+v; want about %.0f s", after, want)
	}
	if len(after.Queue) != 2 || after.Queue[0].Position != 1 || after.Queue[0].Waits != "T4-0002 is on bench-1" ||
		!strings.HasPrefix(after.Queue[1].Waits, "1 before it on bench-1: the next of them was queued before") || after.Queue[1].End.P95 <= after.Queue[1].End.P50 {
		t.Errorf("the queue is %+v", after.Queue)
	}
	mustExec(t, pool, `UPDATE bench SET hold_reason = 'new pads' WHERE name = 'bench-1'`)
	held, err := ETA(t.Context(), pool)
	if _, known := held.Campaigns[f.campaign]; err != nil || known || held.Queue[0].Position != 1 || held.Queue[0].Begins || held.Queue[0].Waits != "the bench is held: new pads" {
		t.Errorf("while the bench is held: %+v, %v; want no end of the campaign", held, err)
	}
}

// Two writers whose transactions overlap: the event numbered first becomes
// visible first.
func TestEventsBecomeVisibleInOrder(t *testing.T) {
	pool := benchPool(t, "bench-1")
	tx, err := pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := emit(t.Context(), tx, change{kind: benchEvent, bench: "bench-1", body: eventBody{Text: "first"}}); err != nil {
		t.Fatal(err)
	}
	second := make(chan error, 1)
	go func() {
		second <- pgx.BeginFunc(t.Context(), pool, func(tx pgx.Tx) error {
			return emit(t.Context(), tx, change{kind: benchEvent, bench: "bench-1", body: eventBody{Text: "second"}})
		})
	}()
	waitForLock(t, pool)
	if seen, err := EventsAfter(t.Context(), pool, 0, 10); err != nil || len(seen) != 0 {
		t.Errorf("visible before its predecessor: %+v, %v", seen, err)
	}
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-second; err != nil {
		t.Fatal(err)
	}
	seen, err := EventsAfter(t.Context(), pool, 0, 10)
	if err != nil || len(seen) != 2 || seen[0].ID > seen[1].ID {
		t.Errorf("events %+v, %v", seen, err)
	}
}

// What could not be written on the board is written the next time.
func TestBoardRecoversFromALostWrite(t *testing.T) {
	pool := benchPool(t, "bench-1")
	a, err := NewAgent(AgentOptions{Pool: pool, Name: "a", Timings: quick()})
	if err != nil {
		t.Fatal(err)
	}
	l, _ := mustAcquire(t, pool, "a", &fakeClock{time.Now()})
	tn := &tenure{keeper: newKeeper(a, "bench-1"), lease: l}
	tn.setActivity(t.Context(), Measuring, "case 1 of 2", nil)
	lost, cancel := context.WithCancel(t.Context())
	cancel()
	tn.setActivity(lost, Idle, "", nil)
	tn.rest(t.Context())
	benches, err := Benches(t.Context(), pool)
	if err != nil || len(benches) != 1 || benches[0].Activity != Idle || benches[0].Doing != "" {
		t.Errorf("board %+v, %v; want an idle bench", benches, err)
	}
}

// One notification may stand for more events than are read at once: the last
// of them wakes its bench too.
func TestEveryEventOfABurstIsRouted(t *testing.T) {
	pool := benchPool(t, "bench-1")
	a, err := NewAgent(AgentOptions{Pool: pool, Name: "a", Timings: quick()})
	if err != nil {
		t.Fatal(err)
	}
	k := newKeeper(a, "bench-1")
	a.keepers["bench-1"] = k
	mustExec(t, pool, `INSERT INTO event (kind, bench, body) SELECT 'segment', 'bench-1', '{}' FROM generate_series(1, $1)`, 2*eventBatch)
	mustExec(t, pool, `INSERT INTO event (kind, bench, body) VALUES ('run', 'bench-1', '{"state": "cancelled"}')`)
	newest, err := LastEvent(t.Context(), pool)
	if err != nil {
		t.Fatal(err)
	}
	last, err := a.route(t.Context(), 0)
	if err != nil || last != newest {
		t.Errorf("routed up to event %d, %v; want %d", last, err, newest)
	}
	select {
	case <-k.wake:
	default:
		t.Error("the bench of the cancelled run was not woken")
	}
}
