package jobs

import (
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
)

// A bench whose agents vanish again and again is held with the reason, its run waits
// in the queue, and the other bench works on. Released, it goes on where it stopped.
func TestBenchWhoseAgentsVanishIsHeld(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 2, nil)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	mustExec(t, b.pool, `UPDATE run SET state = 'active', started_at = now() WHERE id = $1`, id)
	mustExec(t, b.pool, `UPDATE run_segment SET state = 'running', token = 1, attempts = 1 WHERE run_id = $1 AND number = 1`, id)
	for range 4 { // holders that never gave the bench back; the first one found it free
		if l, _, err := acquire(t.Context(), b.pool, "bench-1", "gone", quick().withDefaults(), time.Now); l == nil {
			t.Fatal(err)
		}
		mustExec(t, b.pool, `UPDATE bench_lease SET expires_at = now() - interval '1 millisecond'`)
	}
	b.start("a", func(o *AgentOptions) { o.Timings.Flaps = 4 })
	other := b.submit(powerPlan, "T4-0005")["T4-0005"]
	eventually(t, "a held bench", func() bool {
		return strings.Contains(b.bench("bench-1").Hold, "its agent vanished 4 times within 10m0s")
	})
	eventually(t, "a run that waits", func() bool {
		r := run(t, b.pool, id)
		return r.State == Queued && strings.Contains(r.Paused, "the bench was held: it flaps") && strings.Contains(r.Blocked, "it flaps")
	})
	if r := b.await(other); r.Verdict != conformance.Pass {
		t.Errorf("the run on the other bench: %+v", r)
	}
	if err := ReleaseBench(t.Context(), b.pool, "bench-1", BenchRelease{By: "ann"}); err != nil {
		t.Fatal(err)
	}
	if r := b.await(id); r.Verdict != conformance.Pass || r.CasesDone != 4 {
		t.Errorf("after the release: %+v", r)
	}
	if hold := b.bench("bench-1").Hold; hold != "" {
		t.Errorf("held again: %s", hold)
	}
	b.mustBeClean()
}

// A bench that a person has released does not rest any longer for what happened before.
func TestReleaseEndsTheRestOfABenchThatFlaps(t *testing.T) {
	b := newTestBed(t, 1, nil)
	for range 4 { // the first holder found it free
		if l, _, err := acquire(t.Context(), b.pool, "bench-1", "gone", quick().withDefaults(), time.Now); l == nil {
			t.Fatal(err)
		}
		mustExec(t, b.pool, `UPDATE bench_lease SET expires_at = now() - interval '1 millisecond'`)
	}
	for _, want := range []int{3, 0} {
		flaps, err := readFlaps(t.Context(), b.pool)
		if err != nil || flaps["bench-1"].count != want {
			t.Errorf("%d take-overs count (%v), want %d", flaps["bench-1"].count, err, want)
		}
		if err := ReleaseBench(t.Context(), b.pool, "bench-1", BenchRelease{By: "ann"}); err != nil {
			t.Fatal(err)
		}
	}
}

// A bench whose safe state fails again and again is held.
func TestBenchWhoseSafeStateFailsIsHeld(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, nil)
	a := b.start("a", func(o *AgentOptions) { o.Timings.Flaps = 2 })
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	for range 2 {
		b.inject("bench-1-switcher", sim.Garbage)
		tn := a.tenureOf("bench-1")
		tn.rig.unsafe()
		poke(tn.wake)
		eventually(t, "an alarm", func() bool { return b.bench("bench-1").Alarm != "" })
		b.inject("bench-1-switcher", sim.None)
		eventually(t, "the end of the alarm", func() bool { return b.bench("bench-1").Alarm == "" })
	}
	if hold := b.bench("bench-1").Hold; !strings.Contains(hold, "its safe state failed 2 times") || !strings.Contains(hold, "switches terminated") {
		t.Errorf("held for %q", hold)
	}
}
