package jobs

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/results"
)

// A segment that ended in an error is tried again later: its run waits in the queue
// with the reason and the time, the bench works on another one meanwhile, and what was
// stored is not measured again.
func TestErrorIsTriedAgainLater(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	_, id := b.midRun(longPlan + "retries: 2\nback_off: {first: 3s}\n")
	other := b.submit(powerPlan, "T4-0002")["T4-0002"]
	var waiting RunSummary
	var dropped time.Time
	within(t, time.Minute, "a run back in the queue", func() bool {
		if waiting = run(t, b.pool, id); waiting.State == Queued {
			return true
		}
		if time.Since(dropped) > time.Second { // what may be asked again is, without an error
			b.inject("T4-0001", sim.Drop)
			dropped = time.Now()
		}
		return false
	})
	b.inject("T4-0001", sim.None)
	if waiting.DueAt == nil || !strings.Contains(waiting.Paused, "is tried again, retry 1 of 2: ") || waiting.StartedAt == nil {
		t.Errorf("run %+v, want a reason and a time", waiting)
	}
	kept := b.stored(id)
	r, o := b.await(id), b.await(other)
	if r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 12 || r.Paused != "" || r.DueAt != nil || !r.StartedAt.Equal(*waiting.StartedAt) {
		t.Errorf("run %+v", r)
	}
	if !o.StartedAt.Before(*r.FinishedAt) || o.Verdict != conformance.Pass {
		t.Errorf("the other run began at %s, the one that waited ended at %s", o.StartedAt, r.FinishedAt)
	}
	var again int
	segments, err := SegmentsOf(t.Context(), b.pool, id)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range segments {
		if s.Number <= kept && s.Attempts != 1 {
			t.Errorf("segment %d was stored before and tried %d times", s.Number, s.Attempts)
		}
		again += s.Attempts - 1
	}
	if again != 1 {
		t.Errorf("%d attempts too many, want one", again)
	}
	b.mustBeClean()
}

// Errors end a run when the plan allows no more retries.
func TestRetriesHaveAnEnd(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, nil)
	other := regexp.MustCompile(`revision: [A-C]`).ReplaceAll(b.lab.Inventory(), []byte("revision: Z"))
	if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", other, "ann"); err != nil {
		t.Fatal(err)
	}
	id := b.submit(powerPlan+"retries: 2\nback_off: {first: 1s, next: 1s}\n", "T4-0001")["T4-0001"]
	b.start("a", nil)
	if r := b.await(id); r.State != Error {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT failures * 10 + attempts FROM run_segment WHERE run_id = $1 AND number = 1`, id); n != 23 {
		t.Errorf("failures and attempts %02d, want 2 before the last and 3", n)
	}
}

// A case that fails is measured again as often as the plan says, each attempt is
// stored once, and the first verdict stays.
func TestFailIsMeasuredAgain(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, func(c *sim.Config) {
		c.Faults = []sim.Fault{{Kind: sim.PowerSetting, Serial: "T4-0001", Connector: 2, Amount: -5.8, Clauses: []string{"6.2"}}}
	})
	for noise, document := range map[string]string{"": powerPlan, "with floors": powerPlan + "noise_floor: correct\n"} {
		id := b.submit(document+"retest: {fails: 2}\n", "T4-0001")["T4-0001"]
		if noise == "" {
			b.start("a", nil)
		}
		r := b.await(id)
		if r.Verdict != conformance.Fail || r.First != conformance.Fail || r.CasesDone != 4 || r.Retested != 2 || r.Clauses["6.2"].Failed != 2 || r.Clauses["6.2"].Cases != 4 {
			t.Errorf("%s: run %+v", noise, r)
		}
		cases, err := results.RunCases(t.Context(), b.pool, id)
		if err != nil {
			t.Fatal(err)
		}
		attempts := map[string]int{}
		for _, c := range cases {
			if attempts[c.Key]++; c.Attempt != attempts[c.Key] || len(c.Results) == 0 {
				t.Errorf("%s: %s: attempt %d, want %d with figures", noise, c.Key, c.Attempt, attempts[c.Key])
			}
			if want := 1 + 2*(c.Connector-1); c.Superseded != (c.Attempt < want) {
				t.Errorf("%s: %s, attempt %d of %d, superseded %v", noise, c.Key, c.Attempt, want, c.Superseded)
			}
		}
		if len(cases) != 8 {
			t.Errorf("%s: %d attempts at 4 cases, want 8", noise, len(cases))
		}
	}
	b.mustBeClean()
}

// Which cases are measured again, and how attempts are numbered: those that were kept
// of an interrupted segment count, and too many fails at once are no accident.
func TestAttemptsAreCounted(t *testing.T) {
	s := &segment{plan: &plan.Plan{Retest: plan.Retest{Fails: 2, Most: 2}}, prior: map[string]int{"b": 1}}
	record := func(key string, v conformance.Verdict) results.Case { return results.Case{Key: key, Verdict: v} }
	cases := []plan.Case{{Key: "a"}, {Key: "b"}, {Key: "c"}}
	keys := func(list []plan.Case) (text string) {
		for _, c := range list {
			text += c.Key
		}
		return text
	}
	first := []results.Case{record("a", conformance.Fail), record("b", conformance.ConditionalFail), record("c", conformance.Pass)}
	if got := keys(s.toRetest(cases, first)); got != "ab" {
		t.Errorf("measured again %q, want a and b", got)
	}
	second := append(first, record("a", conformance.Fail), record("b", conformance.Fail))
	if got := keys(s.toRetest(cases[:2], second)); got != "a" {
		t.Errorf("measured again %q, want only a: b has had its attempts", got)
	}
	all := append(first[:2:2], record("c", conformance.Fail))
	if got := s.toRetest(cases, all); len(got) != 0 {
		t.Errorf("measured again %q, want none of three fails", keys(got))
	}
	var text []string
	for _, c := range s.numbered(second, true) {
		text = append(text, fmt.Sprintf("%s%d %v", c.Key, c.Attempt, c.Superseded))
	}
	if got, want := strings.Join(text, ", "), "a1 true, b2 true, c1 false, a2 false, b3 false"; got != want {
		t.Errorf("attempts %s, want %s", got, want)
	}
	for _, c := range s.numbered(first, false) {
		if !c.Superseded {
			t.Errorf("%s counts although its segment is measured again", c.Key)
		}
	}
}

// What failed before a segment was interrupted is its first attempt.
func TestFailIsKeptWhenTheAgentStops(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, func(c *sim.Config) {
		c.Speed = 30
		c.Faults = []sim.Fault{{Kind: sim.PowerSetting, Serial: "T4-0001", Amount: -5.8, Clauses: []string{"6.2"}}}
	})
	// Clause 6.6.4 takes long after 6.2 has failed in the same segment.
	const several = "plan: several\ncarriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]\ntests: [{clause: 6.2, rf_channels: [M], connectors: [1]}, {clause: 6.6.4, rf_channels: [M], connectors: [1]}]\nretest: {fails: 1}\n"
	id := b.submit(several, "T4-0001")["T4-0001"]
	a := b.start("a", nil)
	within(t, time.Minute, "the case after the one that fails", func() bool { return strings.Contains(b.bench("bench-1").Doing, "case 2 of 2") })
	b.stop(a)
	if n := b.count(`SELECT count(*) FROM measured_case WHERE run_id = $1 AND attempt = 1 AND verdict = 'fail' AND NOT last`, id); n != 1 {
		t.Fatalf("%d fails kept, want the one of clause 6.2", n)
	}
	b.start("b", nil)
	r := b.await(id)
	if r.Verdict != conformance.Fail || r.Retested != 1 || r.CasesDone != 2 {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT count(*) FROM measured_case WHERE run_id = $1 AND clause = '6.2'`, id); n != 2 {
		t.Errorf("%d attempts at clause 6.2, want 2: the kept one counts as the first", n)
	}
}

// A run that is asked to make room does so after the segment in work, with nothing on
// the air, and goes on where it stopped.
func TestRunMakesRoom(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	_, id := b.midRun(longPlan)
	if err := HoldBench(t.Context(), b.pool, "bench-1", "see what waits", "ann"); err != nil {
		t.Fatal(err)
	}
	mustExec(t, b.pool, `UPDATE run SET pause_requested = 'an urgent run waits' WHERE id = $1`, id)
	var waiting RunSummary
	within(t, time.Minute, "a paused run", func() bool {
		waiting = run(t, b.pool, id)
		return waiting.State == Queued
	})
	if !strings.Contains(waiting.Paused, "of 12: an urgent run waits") || waiting.DueAt != nil {
		t.Errorf("run %+v", waiting)
	}
	if on := b.lab.Transmitting(); len(on) > 0 {
		t.Errorf("%q on the air while the run is paused", on)
	}
	kept := b.stored(id)
	if err := ReleaseBench(t.Context(), b.pool, "bench-1", BenchRelease{By: "ann"}); err != nil {
		t.Fatal(err)
	}
	if r := b.await(id); r.Verdict != conformance.Pass || r.CasesDone != 12 || kept == 12 {
		t.Errorf("run %+v, %d cases before the pause", r, kept)
	}
	if n := b.count(`SELECT count(*) FROM run_segment WHERE run_id = $1 AND attempts <> 1`, id); n != 0 {
		t.Errorf("%d segments were measured more than once", n)
	}
	b.mustBeClean()
}

// An urgent run has the one in work make room, goes first, and the other goes on where
// it stopped.
func TestUrgentRunGoesFirst(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	_, id := b.midRun(longPlan)
	urgent := b.submitWith(Submission{PlanDocument: []byte(powerPlan), Serials: []string{"T4-0002"}, Priority: 10})["T4-0002"]
	u, r := b.await(urgent), b.await(id)
	if u.Verdict != conformance.Pass || r.Verdict != conformance.Pass || r.CasesDone != 12 || !u.FinishedAt.Before(*r.FinishedAt) {
		t.Errorf("urgent run %+v,\nthe other one %+v", u, r)
	}
	if n := b.count(`SELECT count(*) FROM run_segment WHERE attempts <> 1`); n != 0 {
		t.Errorf("%d segments were measured more than once", n)
	}
	b.mustBeClean()
}
