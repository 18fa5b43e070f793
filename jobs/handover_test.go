package jobs

import (
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
)

// A graceful stop ends at the next case: the segment waits, the bench is safe,
// the lease is free at once, and another agent goes on.
func TestStopHandsTheRunOver(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	a, id := b.midRun(longPlan)
	b.stop(a)
	b.mustBeClean()
	if s := b.bench("bench-1"); s.Activity != Offline || s.Holder != "" {
		t.Errorf("bench %+v, want it free", s)
	}
	if n := b.count(`SELECT count(*) FROM run_segment WHERE state = 'running'`); n != 0 {
		t.Errorf("%d segments are still claimed", n)
	}
	if n := b.stored(id); n == 12 {
		t.Error("the run was over when the agent stopped; nothing was tested")
	}
	b.start("b", func(o *AgentOptions) { o.Timings.Grace = time.Hour }) // no wait after a clean handover
	if r := b.await(id); r.State != Done || r.CasesDone != 12 || r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	b.mustBeClean()
}

// An active run without a ticket, its segment claimed by a holder long gone.
func TestSweeperReplacesALostTicket(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	mustExec(t, b.pool, `UPDATE run SET state = 'active', started_at = now() WHERE id = $1`, id)
	mustExec(t, b.pool, `UPDATE run_segment SET state = 'running', token = 1, attempts = 1 WHERE run_id = $1 AND number = 1`, id)
	b.start("a", nil)
	if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 4 {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT attempts FROM run_segment WHERE run_id = $1 AND number = 1`, id); n != 2 {
		t.Errorf("%d attempts of the first segment, want 2", n)
	}
}

// Two agents, two benches: each bench is worked by one of them.
func TestAgentsShareTheLab(t *testing.T) {
	b := newTestBed(t, 2, nil)
	runs := b.submit(powerPlan)
	b.start("a", func(o *AgentOptions) { o.Benches = []string{"bench-1"} })
	b.start("b", nil)
	for serial, id := range runs {
		if r := b.await(id); r.Verdict != conformance.Pass {
			t.Errorf("%s: %+v", serial, r)
		}
	}
	if len(runs) != 4 {
		t.Errorf("%d runs, want 4", len(runs))
	}
	b.mustBeClean()
}

// An agent that waits for the end of the case in work says so on the board, and its
// successor does not.
func TestBoardSaysThatAnAgentDrains(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, func(c *sim.Config) { c.Speed = 1 })
	b.submit(longPlan, "T4-0001")
	a := b.start("a", nil)
	within(t, time.Minute, "a case in work", func() bool { return b.bench("bench-1").Activity == Measuring })
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		b.stop(a)
	}()
	eventually(t, "a bench that drains", func() bool { return b.bench("bench-1").Drains })
	<-stopped
	b.start("b", nil)
	eventually(t, "the next holder", func() bool { s := b.bench("bench-1"); return s.Holder == "b" && !s.Drains })
}

// A unit that a stopped process switched on after its bench was taken over is muted
// again although nothing is queued.
func TestIdleBenchIsLookedAtAgain(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, nil)
	b.hold("bench-1", "bench-1-analyzer")
	expire(t, b.pool)
	b.start("a", func(o *AgentOptions) { o.Timings.Recheck = 300 * time.Millisecond })
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	before := len(b.journal.since(t, 0, "T4-0001", "transmit off"))
	eventually(t, "another look", func() bool { return len(b.journal.since(t, 0, "T4-0001", "transmit off")) > before+1 })
}
