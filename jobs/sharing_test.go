package jobs

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/sim"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
)

// turnsPlan is twelve segments of one case each.
const turnsPlan = `plan: turns
carriers: [{band: n78, bandwidth: 100MHz, scs: 30kHz}]
tests: [{clause: 6.2}]
`

// oneAnalyzer has the second bench work with the analyzer of the first.
func oneAnalyzer(c *sim.Config) { c.Benches[1].Analyzer = c.Benches[0].Name }

// mustTakeTurns fails the test when two connections drove the analyzer at once, or two
// benches fed it.
func (b *testBed) mustTakeTurns(analyzer string) {
	b.t.Helper()
	for _, e := range b.journal.since(b.t, 0, analyzer, "interleaved") {
		b.t.Errorf("%s: %s", e.Instrument, e.Detail)
	}
	b.mustBeClean()
}

// Two benches with one analyzer and hundreds of short segments: they take turns, each
// makes headway, and never do two drive it or two units transmit into it.
func TestBenchesShareAnAnalyzer(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 2, oneAnalyzer)
	rounds := 2
	if os.Getenv("BENCHYARD_LONG") != "" {
		rounds = 12
	}
	var ids []string
	for range rounds {
		for _, id := range b.submit(turnsPlan, "T4-0001", "T4-0005") {
			ids = append(ids, id.String())
		}
	}
	b.start("a", func(o *AgentOptions) { o.Benches = []string{"bench-1"} })
	b.start("b", func(o *AgentOptions) { o.Benches = []string{"bench-2"} })
	within(t, 10*time.Minute, "the end of every run", func() bool {
		return b.count(`SELECT count(*) FROM run WHERE state = 'done' AND verdict = 'pass'`) == len(ids)
	})
	if n := b.count(`SELECT count(*) FROM measured_case`); n != 12*len(ids) {
		t.Errorf("%d cases stored, want %d", n, 12*len(ids))
	}
	b.mustTakeTurns("bench-1-analyzer")
	// While both have work, nobody is served twice while the other one waits.
	if n := b.count(`
		SELECT coalesce(max(streak), 0) FROM (
			SELECT count(*) AS streak FROM (
				SELECT bench, row_number() OVER (ORDER BY s.finished_at) - row_number() OVER (PARTITION BY bench ORDER BY s.finished_at) AS island
				FROM run_segment s JOIN run ON id = run_id
				WHERE s.finished_at < (SELECT min(last) FROM (SELECT max(finished_at) AS last FROM run GROUP BY bench) x)) y
			GROUP BY bench, island) z`); n > 3 {
		t.Errorf("one bench was served %d times in a row", n)
	}
	if n := b.count(`SELECT count(*) FROM instrument_wait`); n != 0 {
		t.Errorf("%d benches still stand in line", n)
	}
}

// A bench whose shared analyzer is at work waits and says why; its agent may stop
// meanwhile, and its run goes on when the analyzer is free.
func TestBenchWaitsForItsAnalyzer(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 2, oneAnalyzer)
	l := b.hold("bench-3", "bench-1-analyzer")
	id := b.submit(powerPlan, "T4-0001")["T4-0001"]
	a := b.start("a", func(o *AgentOptions) { o.Benches = []string{"bench-1"} })
	waits := func() bool {
		s := b.bench("bench-1")
		return s.Activity == Waiting && strings.Contains(s.Doing, "bench-3 works with bench-1-analyzer")
	}
	eventually(t, "a bench that says what it waits for", waits)
	if on := b.lab.Transmitting(); len(on) > 0 {
		t.Errorf("%q transmit while the bench waits", on)
	}
	b.stop(a)
	if n := b.count(`SELECT count(*) FROM instrument_wait`); n != 0 {
		t.Error("an agent that stopped still stands in line")
	}
	b.start("b", func(o *AgentOptions) { o.Benches = []string{"bench-1"} })
	eventually(t, "a bench that waits again", waits)
	if err := l.giveBack(t.Context(), func(string) bool { return false }); err != nil {
		t.Fatal(err)
	}
	if r := b.await(id); r.Verdict != conformance.Pass || r.CasesDone != 4 {
		t.Errorf("run %+v", r)
	}
	b.mustTakeTurns("bench-1-analyzer")
}

// hold takes an instrument for a bench that nobody works on.
func (b *testBed) hold(bench, instrument string) *lease {
	b.t.Helper()
	mustExec(b.t, b.pool, `INSERT INTO bench (name) VALUES ($1) ON CONFLICT DO NOTHING`, bench)
	l, _, err := acquire(b.t.Context(), b.pool, bench, "other", Timings{TTL: time.Hour}.withDefaults(), time.Now)
	if err == nil {
		err = l.obtain(b.t.Context(), false, instrument)
	}
	if err != nil {
		b.t.Fatal(err)
	}
	return l
}

// A bench whose agent vanished keeps the shared analyzer from others until somebody has
// made it safe: its units may transmit into it. Its next agent does that, or a person
// who has looked at it.
func TestVanishedBenchKeepsTheAnalyzer(t *testing.T) {
	for _, how := range []string{"another agent", "a person"} {
		t.Run(how, func(t *testing.T) {
			t.Parallel() // they wait more than they work
			b := newTestBed(t, 2, oneAnalyzer)
			b.hold("bench-1", "bench-1-analyzer")
			expire(t, b.pool)
			id := b.submit(powerPlan, "T4-0005")["T4-0005"]
			b.start("a", func(o *AgentOptions) { o.Benches = []string{"bench-2"} })
			eventually(t, "a bench that says what it waits for", func() bool {
				return strings.Contains(b.bench("bench-2").Doing, "bench-1-analyzer was left by bench-1, which nobody has confirmed safe since")
			})
			if how == "a person" {
				if err := ClearAlarm(t.Context(), b.pool, "bench-1", "ann"); err != nil {
					t.Fatal(err)
				}
			} else {
				b.start("b", func(o *AgentOptions) { o.Benches = []string{"bench-1"} })
			}
			if r := b.await(id); r.Verdict != conformance.Pass {
				t.Errorf("run %+v", r)
			}
			b.mustTakeTurns("bench-1-analyzer")
		})
	}
}

// An instrument that a new inventory gives to another bench is not driven by both: the
// bench that is at work with it goes on until it is safe.
func TestInstrumentThatMovesIsDrivenByOne(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 1, slow)
	_, id := b.midRun(longPlan)
	if _, _, err := lab.Apply(t.Context(), b.pool, "lab.yaml", b.elsewhereNow(), "ann"); err != nil {
		t.Fatal(err)
	}
	within(t, time.Minute, "bench-9 at rest", func() bool { return b.bench("bench-9").Activity == Idle })
	if r := run(t, b.pool, id); r.Bench != "bench-1" {
		t.Errorf("run %+v", r)
	}
	for _, name := range []string{"bench-1-analyzer", "bench-1-switcher", "bench-1-supply"} {
		b.mustTakeTurns(name)
	}
}

// The safe state without the analyzer: nothing is waited for, what the units answer
// counts, and the report says so. One that does not answer loses its DC.
func TestSafeStateWithoutTheSharedAnalyzer(t *testing.T) {
	t.Parallel() // it waits more than it works
	b := newTestBed(t, 2, oneAnalyzer)
	b.hold("bench-3", "bench-1-analyzer")
	a := b.start("a", func(o *AgentOptions) { o.Benches = []string{"bench-2"} })
	within(t, 10*time.Second, "a bench at rest", func() bool { return b.bench("bench-2").Activity == Idle })
	if len(b.journal.since(t, 0, "T4-0005", "transmit off")) == 0 || len(b.journal.since(t, 0, "bench-2-switcher", "route")) == 0 {
		t.Error("units and switches were not driven to the safe state")
	}
	tn := a.tenureOf("bench-2")
	_, end, ok := tn.begin(t.Context(), newID(t))
	if !ok {
		t.Fatal("the bench takes no work")
	}
	defer end()
	bench, err := tn.rig.bench()
	if err == nil {
		_, err = tn.rig.power(t.Context(), bench)
	}
	if err != nil {
		t.Fatal(err)
	}
	report := tn.rig.makeSafe(t.Context())
	said := slices.ContainsFunc(report.Steps, func(s SafetyStep) bool {
		return strings.Contains(s.Name, `without "analyzer at full attenuation"`) && strings.Contains(s.Name, "bench-3 works with bench-1-analyzer")
	})
	if report.Err() != nil || !said {
		t.Errorf("report %+v", report)
	}
	b.inject("T4-0005", sim.Silent)
	if report := tn.rig.makeSafe(t.Context()); report.Err() == nil || !report.Cut {
		t.Errorf("a unit that does not answer and cannot be seen: %+v", report)
	}
	b.inject("T4-0005", sim.None)
	b.mustTakeTurns("bench-1-analyzer")
}
