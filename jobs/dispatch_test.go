package jobs

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
	"benchyard/jobs/scheduler"
)

// A unit on the shelf is accepted where a bench could measure it, waits without a
// bench, is on the list of what to mount, and is measured once the inventory says
// that it is mounted, with that inventory.
func TestUnitFromTheShelf(t *testing.T) {
	b := newTestBed(t, 1, nil)
	mounted := string(b.lab.Inventory())
	line := ""
	for _, l := range strings.Split(mounted, "\n") {
		if strings.Contains(l, "serial: T4-0002,") {
			line = l
		}
	}
	place := line[strings.Index(line, ", bench:"):strings.LastIndex(line, "}")]
	apply := func(document string) int64 {
		t.Helper()
		id, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", []byte(document), "ann")
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	apply(strings.Replace(mounted, place, "", 1))
	id := b.submit(powerPlan, "T4-0002")["T4-0002"]
	if r := run(t, b.pool, id); r.Bench != "" || r.State != Queued {
		t.Fatalf("run of a unit on the shelf: %+v", r)
	}
	list, stranded, err := MountList(t.Context(), b.pool)
	if err != nil || len(list) != 1 || stranded != nil || list[0].Serial != "T4-0002" || list[0].Bench != "bench-1" || list[0].Slot != 2 || list[0].SetUp != "n78" {
		t.Fatalf("to mount: %+v, %v, %v; want T4-0002 into slot 2", list, stranded, err)
	}
	f, err := ETA(t.Context(), b.pool)
	if err != nil || len(f.Queue) != 1 || f.Queue[0].Begins || f.Queue[0].Waits != "T4-0002 is on the shelf: mount it" || len(f.Campaigns) != 0 {
		t.Errorf("forecast %+v, %v", f, err)
	}
	version := apply(mounted)
	b.start("a", nil)
	if r := b.await(id); r.State != Done || r.Bench != "bench-1" {
		t.Errorf("after it was mounted: %+v", r)
	}
	var with int64
	if err := b.pool.QueryRow(t.Context(), `SELECT lab_id FROM run WHERE id = $1`, id).Scan(&with); err != nil || with != version {
		t.Errorf("measured with inventory %d, %v; want %d", with, err, version)
	}
	b.mustBeClean()
}

// An urgent run makes the one in work give way: the run loop finds the request
// between two segments. Normal ones do not.
func TestUrgentRunAsksForThePause(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) { c.Speed = 20 })
	first := b.submit(longPlan, "T4-0001")["T4-0001"]
	b.start("a", func(o *AgentOptions) { o.Timings.Poll = 50 * time.Millisecond })
	within(t, time.Minute, "a run in work", func() bool { return run(t, b.pool, first).State == Active })
	b.submit(powerPlan, "T4-0002")
	asked := func() (why *string) {
		if err := b.pool.QueryRow(t.Context(), `SELECT pause_requested FROM run WHERE id = $1`, first).Scan(&why); err != nil {
			t.Fatal(err)
		}
		return why
	}
	if why := asked(); why != nil {
		t.Errorf("asked for a normal run: %s", *why)
	}
	urgent := b.submitWith(Submission{PlanDocument: []byte(powerPlan), Serials: []string{"T4-0002"}, Priority: PriorityOf(scheduler.Urgent)})["T4-0002"]
	within(t, time.Minute, "a request", func() bool { return asked() != nil || run(t, b.pool, urgent).State != Queued })
	if why := asked(); why == nil || *why != "T4-0002 of ann is urgent" {
		t.Errorf("asked because %v", why)
	}
}

// Maintenance keeps the bench from runs that would not be done before it, and the
// run says so.
func TestMaintenanceKeepsTheBenchFree(t *testing.T) {
	b := newTestBed(t, 1, nil)
	now := time.Now().Truncate(time.Second)
	window := fmt.Sprintf("maintenance: [{from: %s, until: %s, reason: new pads}], idle_supply", now.Add(-time.Hour).Format(time.RFC3339), now.Add(time.Hour).Format(time.RFC3339))
	document := bytes.Replace(b.lab.Inventory(), []byte("idle_supply"), []byte(window), 1)
	if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", document, "ann"); err != nil {
		t.Fatal(err)
	}
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	eventually(t, "a run that says why it waits", func() bool {
		return strings.HasPrefix(run(t, b.pool, id).Blocked, "bench-1 is kept for maintenance from "+now.Add(-time.Hour).Local().Format("2006-01-02 15:04"))
	})
	f, err := ETA(t.Context(), b.pool)
	if err != nil || len(f.Queue) != 1 || !f.Queue[0].Begins || f.Queue[0].Start.P50 < 50*time.Minute {
		t.Errorf("forecast %+v, %v; want it to begin in an hour", f.Queue, err)
	}
}

// What was measured moves estimates and set-up times; who used the bench pays for it.
func TestExperienceOfFinishedRuns(t *testing.T) {
	pool := benchPool(t)
	f := newQueueFixture(t, pool, "bench-1", "T4-0001", "T4-0002", "T4-0003", "T4-0004")
	at := 0
	finish := func(serial, band string, led, took int) {
		id := f.runs[serial]
		mustExec(t, pool, `UPDATE run SET state = 'done', verdict = 'pass', set_up = jsonb_build_object('band', $2::text),
			started_at = now() - interval '1 hour' + $3 * interval '1 s', finished_at = now() WHERE id = $1`, id, band, at)
		mustExec(t, pool, `UPDATE run_segment SET state = 'done', finished_at = now(), started_at = now() - $2 * interval '1 s' WHERE run_id = $1`, id, float64(took)/2)
		mustExec(t, pool, `INSERT INTO run_step (run_id, segment, attempt, number, name, outcome, detail, tries, began_at, duration_s)
			VALUES ($1, 1, 1, 1, 'tune', 'done', '', 1, now(), $2)`, id, led)
		at++
	}
	finish("T4-0001", "n1", 10, 120)
	finish("T4-0002", "n1", 10, 120)
	finish("T4-0003", "n78", 40, 150) // 30 s more than without a change
	e, err := readExperience(t.Context(), pool, scheduler.Policy{}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	change := scheduler.Change{From: scheduler.Family{Band: "n1"}, To: scheduler.Family{Band: "n78"}}
	if got := e.changes[change]; got.N != 1 || got.Mean != 30*time.Second {
		t.Errorf("the change to n78 was seen as %+v, want 30 s once", got)
	}
	kind := e.kinds[runKind("short", "RU-T4")]
	if ratio := kind.Mean; kind.N != 3 || ratio < 0.69 || ratio > 0.70 || kind.Variance > 1e-6 { // ln 2: each took 120 s of nominally 60 s, set-up apart
		t.Errorf("runs took %+v of their nominal times, want ln 2 three times", kind)
	}
	if e.standing["bench-1"].Band != "n78" || e.pace.N != 6 {
		t.Errorf("on the bench stands %v; pace of %d segments", e.standing["bench-1"], e.pace.N)
	}
	if used := e.ledger.Used("ann", time.Now()); used < 385*time.Second || used > 391*time.Second {
		t.Errorf("ann used %s, want 390 s", used)
	}
}

// A bench that was taken over three times from holders that were lost rests, and
// says so; giving a lease back does not count.
func TestFlappingBenchIsShownAndRests(t *testing.T) {
	b := newTestBed(t, 1, nil)
	for token := range 2 {
		mustExec(t, b.pool, `INSERT INTO bench_takeover (bench, token, holder, abandoned) VALUES ('bench-1', $1, 'x', true)`, 100+token)
	}
	mustExec(t, b.pool, `INSERT INTO bench_takeover (bench, token, holder, abandoned) VALUES ('bench-1', 200, 'x', false)`)
	if got := b.bench("bench-1").Takeovers; got != 2 {
		t.Errorf("%d take-overs shown, want 2", got)
	}
	mustExec(t, b.pool, `INSERT INTO bench_takeover (bench, token, holder, abandoned) VALUES ('bench-1', 300, 'x', true)`)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	eventually(t, "a run that says why it waits", func() bool {
		return strings.HasPrefix(run(t, b.pool, id).Blocked, "bench-1 changed hands 3 times within an hour and takes its next run at ")
	})
	mustExec(t, b.pool, `UPDATE bench_takeover SET at = at - interval '10 min'`)
	if r := b.await(id); r.State != Done || r.Blocked != "" {
		t.Errorf("after its rest: %+v", r)
	}
	var noted int
	if err := b.pool.QueryRow(t.Context(), `SELECT count(*) FROM bench_takeover WHERE holder = 'a'`).Scan(&noted); err != nil || noted != 1 {
		t.Errorf("%d take-overs by a noted, %v; want 1", noted, err)
	}
}
