package jobs

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
)

// longPlan has twelve segments of one case, so that there is a middle to fail in.
const longPlan = `plan: long
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests:
  - {clause: 6.2, rf_channels: [B, M, T]}
`

// stored returns how many cases of the run are in the tables.
func (b *testBed) stored(id uuid.UUID) int {
	b.t.Helper()
	return b.count(`SELECT count(*) FROM measured_case WHERE run_id = $1`, id)
}

// midRun starts an agent on a long run and returns once its first segments are stored.
func (b *testBed) midRun(plan string) (*Agent, uuid.UUID) {
	b.t.Helper()
	id := b.submit(plan, "T4-0001")["T4-0001"]
	a := b.start("a", nil)
	within(b.t, time.Minute, "the first stored segments", func() bool { return b.stored(id) >= 2 })
	return a, id
}

// slow makes runs long enough to be disturbed.
func slow(c *sim.Config) { c.Speed = 4 }

// Whatever breaks in the middle of a run, the run ends as an error: every case
// is in the tables once, none of them as a fail, and the bench is not trusted
// again before its safe state is confirmed.
func TestBenchFailureIsAnErrorNotAFail(t *testing.T) {
	faults := []struct {
		instrument string
		fault      sim.WireFault
	}{
		{"bench-1-analyzer", sim.Silent}, {"bench-1-analyzer", sim.NotANumber}, {"bench-1-analyzer", sim.Garbage},
		{"bench-1-analyzer", sim.Overload}, {"T4-0001", sim.Silent}, {"bench-1-switcher", sim.Garbage},
	}
	for _, f := range faults {
		t.Run(f.instrument+" "+string(f.fault), func(t *testing.T) {
			t.Parallel() // they wait more than they work
			b := newTestBed(t, 1, slow)
			_, id := b.midRun(longPlan)
			next := b.submit(powerPlan, "T4-0002")["T4-0002"]
			b.inject(f.instrument, f.fault)
			r := b.await(id)
			if r.State != Error || r.Verdict != conformance.ErrorVerdict || r.Error == "" {
				t.Errorf("run ended as %s, %s, %q; want an error with its reason", r.State, r.Verdict, r.Error)
			}
			if r.CasesDone != r.CasesTotal || r.Clauses["6.2"].Failed != 0 || r.Clauses["6.2"].Errors != 1 {
				t.Errorf("%d of %d cases, %+v; want every one, one of them an error", r.CasesDone, r.CasesTotal, r.Clauses["6.2"])
			}
			if n := b.count(`SELECT count(*) FROM run_segment WHERE run_id = $1 AND state IN ('pending', 'running')`, id); n != 0 {
				t.Errorf("%d segments are open after the end of the run", n)
			}
			eventually(t, "an alarm", func() bool { return b.bench("bench-1").Alarm != "" })
			eventually(t, "a blocked queue", func() bool { return strings.Contains(run(t, b.pool, next).Blocked, "alarm") })
			b.inject(f.instrument, sim.None)
			if r := b.await(next); r.State != Done || r.Verdict != conformance.Pass {
				t.Errorf("the next run, after the repair: %+v", r)
			}
			if alarm := b.bench("bench-1").Alarm; alarm != "" {
				t.Errorf("alarm %q after a confirmed safe state", alarm)
			}
			b.mustBeClean()
		})
	}
}

func TestWrongUnitInTheSlotIsAnError(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.inject("T4-0001", sim.WrongIdentity)
	b.start("a", nil)
	r := b.await(id)
	if r.State != Error || r.Verdict != conformance.ErrorVerdict || !strings.Contains(r.Error, "T4-0001") {
		t.Errorf("run %+v", r)
	}
	if n := len(b.journal.since(t, 0, "T4-0001", "transmit on")); n != 0 {
		t.Errorf("the wrong unit was switched on %d times", n)
	}
}

func TestWrongBoardRevisionIsAnError(t *testing.T) {
	b := newTestBed(t, 1, nil)
	other := regexp.MustCompile(`revision: [A-C]`).ReplaceAll(b.lab.Inventory(), []byte("revision: Z"))
	if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", other, "ann"); err != nil {
		t.Fatal(err)
	}
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	if r := b.await(id); r.State != Error || !strings.Contains(r.Error, "the inventory says Z") {
		t.Errorf("run %+v", r)
	}
	if n := len(b.journal.since(t, 0, "T4-0001", "transmit on")); n != 0 {
		t.Errorf("the unit was switched on %d times", n)
	}
	b.mustBeClean()
}

// The plan's warm-up: a unit that becomes steady is measured, one that is still
// drifting at the limit is an error.
func TestWarmUp(t *testing.T) {
	t.Parallel() // it waits more than it works
	for _, c := range []struct {
		rule    string
		verdict conformance.Verdict
	}{
		{"warm_up: {minimum: 50ms, limit: 30s, slope: 0.05dB, interval: 20ms, temperature_slope: 100K/min}", conformance.Pass},
		{"warm_up: {minimum: 50ms, limit: 300ms, slope: 0.000000001dB, interval: 20ms}", conformance.ErrorVerdict},
	} {
		b := newTestBed(t, 1, nil)
		id := b.submit(powerPlan+c.rule+"\n", "T4-0001")["T4-0001"]
		b.start("a", nil)
		r := b.await(id)
		if r.Verdict != c.verdict {
			t.Errorf("%s: run %+v", c.rule, r)
		}
		if c.verdict == conformance.ErrorVerdict {
			if n := b.count(`SELECT count(*) FROM measured_case WHERE run_id = $1 AND error LIKE '%is not warm after 300ms%'`, id); n == 0 {
				t.Error("no case says that the unit was not warm")
			}
		}
		b.mustBeClean()
	}
}

func TestLostConnectionIsTriedAgain(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	_, id := b.midRun(longPlan + "retries: 2\n")
	// A connection that is lost while no sweep runs is opened again without any harm.
	sweeps := func() int { return len(b.journal.since(t, 0, "bench-1-analyzer", "sweep")) }
	for again := false; !again; {
		b.inject("bench-1-analyzer", sim.Drop)
		before := sweeps()
		within(t, time.Minute, "what comes of it", func() bool {
			again = b.count(`SELECT count(*) FROM run_segment WHERE run_id = $1 AND attempts = 2`, id) > 0
			return again || sweeps() > before+2
		})
	}
	r := b.await(id)
	if r.State != Done || r.Verdict != conformance.Pass || r.CasesDone != 12 {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT count(*) FROM run_segment WHERE run_id = $1 AND attempts = 2`, id); n != 1 {
		t.Errorf("%d segments were tried twice, want 1", n)
	}
	if n := b.count(`SELECT count(*) FROM transcript WHERE run_id = $1`, id); n != 13 {
		t.Errorf("%d transcripts, want one for each attempt: 13", n)
	}
	b.mustBeClean()
}

func TestOnFailStopEndsTheRun(t *testing.T) {
	b := newTestBed(t, 1, func(c *sim.Config) {
		c.Faults = []sim.Fault{{Kind: sim.PowerSetting, Serial: "T4-0001", Amount: -5.8, Clauses: []string{"6.2"}}}
	})
	id := b.submit(powerPlan+"on_fail: stop\n", "T4-0001")["T4-0001"]
	b.start("a", nil)
	r := b.await(id)
	if r.State != Done || r.Verdict != conformance.Fail || r.CasesDone != 4 || r.Clauses["6.2"].Failed != 1 {
		t.Errorf("run %+v", r)
	}
	if n := b.count(`SELECT count(*) FROM measured_case WHERE run_id = $1 AND verdict = 'not run'`, id); n != 3 {
		t.Errorf("%d cases not run, want 3", n)
	}
	b.mustBeClean()
}

func TestCancelTakesTheUnitOffTheAir(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	_, id := b.midRun(longPlan)
	eventually(t, "a unit on the air", func() bool { return len(b.lab.Transmitting()) > 0 })
	if _, err := Cancel(t.Context(), b.pool, id, "ann"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	b.mustBeClean()
	if r := run(t, b.pool, id); r.State != Cancelled || r.Verdict != conformance.Aborted || r.CasesDone == r.CasesTotal {
		t.Errorf("run %+v", r)
	}
	entries := b.journal.entries(t)
	last := entries[len(entries)-1]
	for _, e := range entries {
		if e.Instrument == "T4-0001" && strings.HasPrefix(e.Kind, "transmit") {
			last = e
		}
	}
	if last.Kind != "transmit off" {
		t.Errorf("the last the unit was told is %q", last.Kind)
	}
	before := b.stored(id)
	if r := b.await(b.submit(powerPlan, "T4-0001")["T4-0001"]); r.Verdict != conformance.Pass {
		t.Errorf("the next run: %+v", r)
	}
	if after := b.stored(id); after != before {
		t.Errorf("%d cases of the cancelled run, %d when it was cancelled", after, before)
	}
}

// A bench that cannot be made safe at takeover takes no run until it can.
func TestAlarmKeepsTheQueueAway(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.inject("bench-1-generator", sim.Garbage)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	eventually(t, "an alarm", func() bool {
		s := b.bench("bench-1")
		return s.Activity == Alarm && strings.Contains(s.Alarm, "generator output off")
	})
	eventually(t, "a blocked run", func() bool { return strings.Contains(run(t, b.pool, id).Blocked, "alarm") })
	b.inject("bench-1-generator", sim.None)
	if r := b.await(id); r.Verdict != conformance.Pass {
		t.Errorf("run after the alarm: %+v", r)
	}
	b.mustBeClean()
}

// A panic while measuring is an error of the segment, not the end of the agent.
func TestPanicIsAnError(t *testing.T) {
	b := newTestBed(t, 1, nil)
	a, err := NewAgent(AgentOptions{Pool: b.pool, Name: "a", Timings: quick()})
	if err != nil {
		t.Fatal(err)
	}
	tn := &tenure{keeper: newKeeper(a, "bench-1")} // without a rig
	if cases, err := tn.attempt(t.Context(), &segment{}); err == nil || !strings.Contains(err.Error(), "panic") || cases != nil {
		t.Errorf("got %v, %v; want the panic as an error", cases, err)
	}
}
