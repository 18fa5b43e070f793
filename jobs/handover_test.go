package jobs

import (
	"testing"
	"time"

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
