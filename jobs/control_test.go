package jobs

import (
	"context"
	"errors"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
	"benchyard/jobs/postgres"

	"github.com/google/uuid"
)

func run(t testing.TB, db DB, id uuid.UUID) RunSummary {
	t.Helper()
	r, err := RunByID(t.Context(), db, id)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestCancelCampaignEndsWhatIsOpen(t *testing.T) {
	pool := benchPool(t)
	f := newQueueFixture(t, pool, "bench-1", "T4-0001", "T4-0002", "T4-0003")
	mustExec(t, pool, `UPDATE run SET state = 'done', verdict = 'pass', finished_at = now() WHERE serial = 'T4-0001'`)
	mustExec(t, pool, `UPDATE run SET state = 'active', started_at = now() WHERE serial = 'T4-0002'`)
	n, err := Cancel(t.Context(), pool, f.campaign, "bob")
	if err != nil || n != 2 {
		t.Fatalf("ended %d runs, %v; want 2", n, err)
	}
	if r := run(t, pool, f.runs["T4-0001"]); r.State != Done || r.Verdict != conformance.Pass {
		t.Errorf("the finished run became %s, %s", r.State, r.Verdict)
	}
	for _, serial := range []string{"T4-0002", "T4-0003"} {
		if r := run(t, pool, f.runs[serial]); r.State != Cancelled || r.Verdict != conformance.Aborted || r.FinishedAt == nil {
			t.Errorf("%s: %s, %s, finished %v", serial, r.State, r.Verdict, r.FinishedAt)
		}
	}
	c, err := CampaignByID(t.Context(), pool, f.campaign)
	if err != nil || c.State != Cancelled || c.CancelledBy != "bob" || c.Cancelled != 2 || c.Passed != 1 {
		t.Errorf("campaign %+v, %v", c, err)
	}
	events, err := EventsAfter(t.Context(), pool, 0, 10)
	if err != nil || len(events) != 3 || events[2].Kind != "campaign" {
		t.Errorf("events %+v, %v; want two of runs and one of the campaign", events, err)
	}
	if _, err := Cancel(t.Context(), pool, f.campaign, "bob"); !errors.Is(err, ErrEnded) {
		t.Errorf("second cancel: %v, want ErrEnded", err)
	}
	if _, err := Cancel(t.Context(), pool, newID(t), "bob"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown identity: %v, want ErrNotFound", err)
	}
}

func TestRepeatIsANewAttempt(t *testing.T) {
	pool := benchPool(t)
	f := newQueueFixture(t, pool, "bench-1", "T4-0001")
	first := f.runs["T4-0001"]
	if _, err := Repeat(t.Context(), pool, first, "bob"); err == nil || !strings.Contains(err.Error(), "queued") {
		t.Errorf("repeat of an open run: %v, want a refusal", err)
	}
	mustExec(t, pool, `UPDATE run SET state = 'done', verdict = 'fail', finished_at = now()`)
	second, err := Repeat(t.Context(), pool, first, "bob")
	if err != nil {
		t.Fatal(err)
	}
	r := run(t, pool, second)
	if r.Attempt != 2 || r.Repeats == nil || *r.Repeats != first || r.State != Queued || r.CasesTotal != 6 || r.Bench != "bench-1" {
		t.Errorf("second attempt %+v", r)
	}
	if segments, err := SegmentsOf(t.Context(), pool, second); err != nil || len(segments) != 2 || segments[1].State != "pending" {
		t.Errorf("segments %+v, %v", segments, err)
	}
	if old := run(t, pool, first); old.Verdict != conformance.Fail || old.RepeatedBy == nil || *old.RepeatedBy != second {
		t.Errorf("first attempt changed: %+v", old)
	}
	c, err := CampaignByID(t.Context(), pool, f.campaign)
	if err != nil || c.Units != 1 || c.Queued != 1 || c.Failed != 0 {
		t.Errorf("campaign counts %+v, %v; want the newest attempt only", c, err)
	}
	if _, err := Repeat(t.Context(), pool, first, "bob"); err == nil || !strings.Contains(err.Error(), "repeated before") {
		t.Errorf("repeat of a repeated run: %v, want a refusal", err)
	}
}

func TestHoldAndAlarmStandOnTheBoard(t *testing.T) {
	pool := benchPool(t, "bench-1")
	if err := HoldBench(t.Context(), pool, "bench-1", "", "ann"); err == nil {
		t.Error("a hold without a reason was taken")
	}
	if err := HoldBench(t.Context(), pool, "bench-1", "new cables", "ann"); err != nil {
		t.Fatal(err)
	}
	mustExec(t, pool, `UPDATE bench SET alarm = 'transmitter', activity = 'alarm'`)
	benches, err := Benches(t.Context(), pool)
	if err != nil || len(benches) != 1 || benches[0].Hold != "new cables" || benches[0].Alarm != "transmitter" || benches[0].Activity != Offline {
		t.Fatalf("board %+v, %v; want hold and alarm of an offline bench", benches, err)
	}
	if err := ReleaseBench(t.Context(), pool, "bench-1", BenchRelease{By: "ann"}); err != nil {
		t.Fatal(err)
	}
	if err := ClearAlarm(t.Context(), pool, "bench-1", "ann"); err != nil {
		t.Fatal(err)
	}
	if benches, err = Benches(t.Context(), pool); err != nil || benches[0].Hold != "" || benches[0].Alarm != "" {
		t.Errorf("board %+v, %v", benches, err)
	}
	if err := HoldBench(t.Context(), pool, "bench-9", "x", "ann"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown bench: %v, want ErrNotFound", err)
	}
}

// A repeat that is queued in the very moment in which its campaign is
// cancelled is cancelled with it.
func TestCancelReachesARepeatInTheMaking(t *testing.T) {
	pool := postgres.Test(t)
	f := newQueueFixture(t, pool, "bench-1", "T4-0001", "T4-0002")
	mustExec(t, pool, `UPDATE run SET state = 'error', verdict = 'error', finished_at = now() WHERE serial = 'T4-0001'`)
	tx, err := pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(t.Context())) }() // committed, unless the test failed
	repeated, err := Repeat(t.Context(), tx, f.runs["T4-0001"], "ann")
	if err != nil {
		t.Fatal(err)
	}
	cancelled := make(chan error, 1)
	go func() {
		_, err := Cancel(context.WithoutCancel(t.Context()), pool, f.campaign, "bob")
		cancelled <- err
	}()
	waitForLock(t, pool)
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-cancelled; err != nil {
		t.Fatal(err)
	}
	if r := run(t, pool, repeated); r.State != Cancelled {
		t.Errorf("the repeat is %s, want it cancelled with its campaign", r.State)
	}
}
