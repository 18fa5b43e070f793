package jobs

import (
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
)

// One unit whose power is set wrong and one good one: the whole way from the
// submission to the verdict.
func TestRunsAreMeasuredToTheirVerdicts(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, func(c *sim.Config) {
		c.Faults = []sim.Fault{{Kind: sim.PowerSetting, Serial: "T4-0002", Amount: -5.8, Clauses: []string{"6.2"}}}
	})
	runs := b.submit(powerPlan+"  - {clause: 6.6.3, rf_channels: [T], connectors: [1]}\nretries: 1\n", "T4-0001", "T4-0002")
	b.start("a", nil)
	good, bad := b.await(runs["T4-0001"]), b.await(runs["T4-0002"])
	if good.State != Done || good.Verdict != conformance.Pass || good.CasesDone != 5 || good.CasesTotal != 5 || good.Program != "test" {
		t.Errorf("good unit: %+v", good)
	}
	if bad.State != Done || bad.Verdict != conformance.Fail || bad.Clauses["6.2"].Verdict != conformance.Fail || bad.Clauses["6.6.3"].Verdict != conformance.Pass {
		t.Errorf("unit with its power set wrong: %+v", bad)
	}
	cases, err := results.RunCases(t.Context(), b.pool, good.ID)
	if err != nil || len(cases) != 5 {
		t.Fatalf("stored cases %d, %v", len(cases), err)
	}
	for i, c := range cases {
		if c.Position != i+1 || len(c.Results) == 0 || c.Duration <= 0 {
			t.Errorf("case %d: %+v", i+1, c.Case)
		}
	}
	if n := b.count(`SELECT count(*) FROM trace JOIN measured_case c ON c.id = case_id WHERE c.run_id = $1`, good.ID); n < 5 {
		t.Errorf("%d traces for 5 cases", n)
	}
	b.checkTranscript(good)
	b.mustBeClean()
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
}

// checkTranscript reads what was said in the first segment of a run.
func (b *testBed) checkTranscript(r RunSummary) {
	b.t.Helper()
	text := b.said(r)
	for _, want := range []string{r.Serial + "\tsent\t", "bench-1-analyzer\treceived\t", "bytes>"} {
		if !strings.Contains(text, want) {
			b.t.Errorf("%q is not in the transcript", want)
		}
	}
	var identity string
	err := b.pool.QueryRow(b.t.Context(), `SELECT instruments -> 'bench-1-analyzer' ->> 'identity' FROM run WHERE id = $1`, r.ID).Scan(&identity)
	if err != nil || !strings.Contains(identity, "Invented Instruments") {
		b.t.Errorf("identity of the analyzer in the run: %q, %v", identity, err)
	}
}

// The bench is driven to its safe state before anything else, and a unit found
// on the air is taken off it.
func TestTakeoverBeginsWithTheSafeState(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.start("a", nil)
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-1").Activity == Idle })
	for _, e := range b.journal.entries(t) {
		if e.Kind == "connect" {
			continue
		}
		if e.Kind != "transmit off" {
			t.Errorf("first of all came %q of %s, want transmit off", e.Kind, e.Instrument)
		}
		break
	}
	for _, serial := range []string{"T4-0001", "T4-0002"} {
		if len(b.journal.since(t, 0, serial, "transmit off")) == 0 {
			t.Errorf("%s was not muted", serial)
		}
	}
}

func TestQueueOrderFollowsPriority(t *testing.T) {
	b := newTestBed(t, 1, nil)
	one := `plan: one
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests: [{clause: 6.2, rf_channels: [M], connectors: [1]}]
`
	second := b.submit(one, "T4-0001")["T4-0001"]
	third := b.submit(one, "T4-0002")["T4-0002"]
	first := b.submitWith(Submission{PlanDocument: []byte(one), Serials: []string{"T4-0002"}, Priority: 10})["T4-0002"]
	b.start("a", nil)
	a, z := b.await(first), b.await(third)
	m := b.await(second)
	if !a.StartedAt.Before(*m.StartedAt) || !m.StartedAt.Before(*z.StartedAt) {
		t.Errorf("started at %s, %s, %s; want priority 10 first, then in the order of submission", a.StartedAt, m.StartedAt, z.StartedAt)
	}
	if m.StartedAt.Before(*a.FinishedAt) {
		t.Error("two runs on one bench at a time")
	}
	b.mustBeClean()
}

func TestHeldBenchTakesNoRun(t *testing.T) {
	b := newTestBed(t, 1, nil)
	if err := HoldBench(t.Context(), b.pool, "bench-1", "new cables", "ann"); err != nil {
		t.Fatal(err)
	}
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", nil)
	eventually(t, "a run that says why it waits", func() bool {
		return run(t, b.pool, id).Blocked == "the bench is held: new cables"
	})
	if err := ReleaseBench(t.Context(), b.pool, "bench-1", BenchRelease{By: "ann"}); err != nil {
		t.Fatal(err)
	}
	if r := b.await(id); r.State != Done || r.Blocked != "" {
		t.Errorf("after the release: %+v", r)
	}
}

func TestExpiredCalibrationBlocksTheRun(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.start("a", func(o *AgentOptions) {
		o.Clock = func() time.Time { return time.Now().AddDate(1, 0, 0) }
	})
	eventually(t, "a run that says why it waits", func() bool {
		return strings.HasPrefix(run(t, b.pool, id).Blocked, "the calibration of bench-1-analyzer ended on")
	})
	if r := run(t, b.pool, id); r.State != Queued {
		t.Errorf("run %+v, want it to wait", r)
	}
}
