package jobs

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
)

// withoutMatrix takes the switch matrix away from the first bench.
func withoutMatrix(c *sim.Config) { c.Benches[0].Manual = true }

// Without a switch matrix a person moves the cable once for each connector,
// terminates the others, and the run keeps who did so; nothing suffers.
func TestCableIsMovedByHand(t *testing.T) {
	b := newTestBed(t, 1, withoutMatrix)
	o := b.operate("bob")
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	r := b.await(id)
	if r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 4 {
		t.Errorf("run %+v", r)
	}
	moves := o.did(MoveCable)
	if len(moves) != 2 || !strings.Contains(moves[0], "connector 1 of T4-0001 in slot 1. Terminate connector 2, 3, 4,") || !strings.Contains(moves[1], "connector 2 of T4-0001 in slot 1. Terminate connector 1, 3, 4,") {
		t.Errorf("moves %q, want one to each connector of the plan", moves)
	}
	kept, err := PromptsOf(t.Context(), b.pool, id)
	if err != nil || len(kept) != 2 {
		t.Fatalf("the run keeps %+v, %v", kept, err)
	}
	for _, p := range kept {
		if p.State != PromptDone || p.AnsweredBy != "bob" || p.Serial != "T4-0001" || p.EndedAt == nil || len(p.Confirmed) == 0 {
			t.Errorf("the run keeps %+v", p)
		}
	}
	b.mustBeClean()
}

// With a switch matrix nobody is asked for anything.
func TestMatrixNeedsNobody(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT count(*) FROM prompt`); n != 0 {
		t.Errorf("%d prompts", n)
	}
	b.mustBeClean()
}

// A segment that is tried again, within the same run, asks for nothing twice;
// another run does.
func TestConfirmedCableStays(t *testing.T) {
	b := newTestBed(t, 1, withoutMatrix)
	plan := strings.Replace(powerPlan, "[1, 2]", "[1]", 1) + "retries: 2\n"
	id := b.submit(plan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	b.open()
	b.inject("bench-1-analyzer", sim.Drop)
	o := b.operate("bob")
	if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT max(attempts) FROM run_segment`); n < 2 {
		t.Fatalf("%d attempts: the fault did not strike", n)
	}
	if moves := o.did(MoveCable); len(moves) != 1 {
		t.Errorf("asked %d times, want once", len(moves))
	}
	second := b.submit(plan, "T4-0001")["T4-0001"]
	if r := b.await(second); r.State != Done {
		t.Errorf("second run %+v", r)
	}
	if moves := o.did(MoveCable); len(moves) != 2 {
		t.Errorf("asked %d times for two runs, want twice", len(moves))
	}
	b.mustBeClean()
}

// What restarts while a person works at the bench is brought up again: the wait
// costs the run nothing, not even an attempt.
func TestRestartDuringTheWait(t *testing.T) {
	for _, instrument := range []string{"bench-1-analyzer", "T4-0001"} {
		b := newTestBed(t, 1, withoutMatrix)
		moves := 0
		b.operateWith("bob", func(PromptStatus) {
			if moves++; moves == 2 {
				b.inject(instrument, sim.Reboot)
			}
		})
		id := b.submit(powerPlan, "T4-0001")["T4-0001"]
		b.start("a", nil)
		if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass {
			t.Errorf("%s: run %+v", instrument, r)
		}
		if n := b.count(`SELECT max(attempts) FROM run_segment`); n != 1 || moves != 2 {
			t.Errorf("%s: %d attempts, %d moves", instrument, n, moves)
		}
		b.mustBeClean()
	}
}

// Nobody at the bench: the run ends as an error, once, and says nothing about the unit.
func TestNobodyAnswers(t *testing.T) {
	b := newTestBed(t, 1, withoutMatrix)
	id := b.submit(powerPlan+"retries: 2\n", "T4-0001")["T4-0001"]
	b.start("a", func(o *AgentOptions) { o.Timings.Answer = 300 * time.Millisecond })
	r := b.await(id)
	if r.State != Error || r.Verdict != conformance.ErrorVerdict || !strings.Contains(r.Error, "nobody answered within 300ms") {
		t.Errorf("run %+v", r)
	}
	kept, err := PromptsOf(t.Context(), b.pool, id)
	if err != nil || len(kept) != 1 || kept[0].State != PromptTimedOut {
		t.Errorf("the run keeps %+v, %v; want one prompt", kept, err)
	}
	b.mustBeClean()
}

// A run that is cancelled while it waits needs no answer any more.
func TestCancelWithdrawsThePrompt(t *testing.T) {
	b := newTestBed(t, 1, withoutMatrix)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	p := b.open()
	if p.Run == nil || *p.Run != id {
		t.Errorf("prompt %+v", p)
	}
	if _, err := Cancel(t.Context(), b.pool, id, "ann"); err != nil {
		t.Fatal(err)
	}
	within(t, 10*time.Second, "the prompt withdrawn", func() bool {
		kept, err := PromptByID(t.Context(), b.pool, p.ID)
		return err == nil && kept.State == PromptWithdrawn && kept.Note == errCancelled.Error()
	})
	if r := run(t, b.pool, id); r.State != Cancelled {
		t.Errorf("run %+v", r)
	}
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	b.mustBeClean()
}

// An agent that stops while it waits leaves the question to the next one.
func TestNextHolderAsksAgain(t *testing.T) {
	b := newTestBed(t, 1, withoutMatrix)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	first := b.start("a", nil)
	asked := b.open()
	b.stop(first)
	if open, err := OpenPrompts(t.Context(), b.pool); err != nil || len(open) != 0 {
		t.Errorf("open %+v, %v; want none while nobody holds the bench", open, err)
	}
	b.start("b", nil)
	if again := b.open(); again.ID == asked.ID || again.Text != asked.Text {
		t.Errorf("asked %+v", again)
	}
	b.operate("bob")
	if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	b.mustBeClean()
}

// applyShelved puts units onto the shelf: they are mounted by hand.
func (b *testBed) applyShelved(serials ...string) {
	b.t.Helper()
	lines := bytes.Split(b.lab.Inventory(), []byte("\n"))
	for i, line := range lines {
		if slices.ContainsFunc(serials, func(s string) bool { return bytes.Contains(line, []byte("serial: "+s)) }) {
			lines[i] = bytes.Replace(line, []byte(", slot: "), []byte(", mount: by hand, slot: "), 1)
		}
	}
	if _, changed, err := lab.Apply(b.t.Context(), b.pool, "lab.yaml", bytes.Join(lines, []byte("\n")), "ann"); err != nil || !changed {
		b.t.Fatalf("changed %v, %v", changed, err)
	}
}

// A unit from the shelf is asked for with DC off, once as long as it stays there.
func TestUnitIsMountedByHand(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.applyShelved("T4-0001")
	plan := strings.Replace(powerPlan, "[1, 2]", "[1]", 1)
	all := b.submit(plan)
	if _, chosen := all["T4-0001"]; chosen || len(all) != 1 {
		t.Errorf("units %v are measured unnamed, want none of the shelf", all)
	}
	id := b.submit(plan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	p := b.open()
	if p.Kind != MountUnit || !strings.HasPrefix(p.Text, "Put T4-0001 (RU-T4, board revision ") || !strings.Contains(p.Text, "slot 1 of bench-1") {
		t.Errorf("prompt %+v", p)
	}
	if !slices.Contains(p.Confirmed, "supply output off") || slices.ContainsFunc(p.Confirmed, func(c string) bool { return strings.Contains(c, "T4-0001") }) {
		t.Errorf("confirmed %q; want DC off, and nothing of a unit that is not there", p.Confirmed)
	}
	o := b.operate("bob")
	if r := b.await(id); r.State != Done || r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT count(*) FROM slot_unit WHERE bench = 'bench-1' AND slot = 1 AND serial = 'T4-0001' AND mounted_by = 'bob'`); n != 1 {
		t.Errorf("%d rows say that bob mounted it", n)
	}
	if r := b.await(b.submit(plan, "T4-0001")["T4-0001"]); r.State != Done {
		t.Errorf("second run %+v", r)
	}
	if got := o.did(MountUnit); len(got) != 1 {
		t.Errorf("asked %d times for a unit that is in its slot", len(got))
	}
	b.mustBeClean()
}

// Who takes a bench over knows what was mounted by hand, and makes it safe.
func TestMountedUnitIsMadeSafe(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.applyShelved("T4-0001", "T4-0002")
	b.operate("bob")
	id := b.submit(strings.Replace(powerPlan, "[1, 2]", "[1]", 1), "T4-0001")["T4-0001"]
	first := b.start("a", nil)
	b.await(id)
	b.stop(first)
	n := len(b.journal.entries(t))
	b.start("b", nil)
	within(t, 10*time.Second, "a bench at rest", func() bool {
		s := b.bench("bench-1")
		return s.Holder == "b" && s.Activity == Idle
	})
	if len(b.journal.since(t, n, "T4-0001", "transmit off")) == 0 {
		t.Error("the unit that was mounted by hand was not muted")
	}
	if len(b.journal.since(t, n, "T4-0002", "transmit off")) != 0 {
		t.Error("a unit of the shelf was spoken to")
	}
	if s := b.bench("bench-1"); s.Alarm != "" {
		t.Errorf("bench %+v", s)
	}
}

// Between runs a unit that was mounted by hand has no DC, and whoever took it
// away since left no alarm behind.
func TestMountedUnitIsTakenAway(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.applyShelved("T4-0001")
	b.operate("bob")
	id := b.submit(strings.Replace(powerPlan, "[1, 2]", "[1]", 1), "T4-0001")["T4-0001"]
	first := b.start("a", nil)
	b.await(id)
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	b.stop(first)
	b.inject("T4-0001", sim.Refused)
	b.start("b", nil)
	within(t, 20*time.Second, "a bench at rest", func() bool {
		s := b.bench("bench-1")
		return s.Holder == "b" && s.Activity == Idle && s.Alarm == ""
	})
	b.mustBeClean()
}
