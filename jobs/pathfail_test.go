package jobs

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/calibration"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
)

// nothingProposed fails the test when a task that was not done left anything that
// could count, or the generator on.
func (b *testBed) nothingProposed() {
	b.t.Helper()
	if n := b.count(`SELECT count(*) FROM path_correction`); n != 0 {
		b.t.Errorf("%d corrections were proposed", n)
	}
	if _, level, err := b.lab.GeneratorOutput("bench-1"); err != nil || level > -100 {
		b.t.Errorf("the generator is at %s, %v", level, err)
	}
	b.mustBeClean()
}

// generatorOn counts how often the generator of bench-1 was switched on.
func (b *testBed) generatorOn() int {
	return len(b.journal.since(b.t, 0, "bench-1-generator", "output on"))
}

// pathTrouble is something that goes wrong while a path is measured.
type pathTrouble struct {
	name       string
	instrument string        // that has a fault
	fault      sim.WireFault // from the prompt on
	at         int           // from 1; zero: never
	hands      func(*testBed, PromptStatus)
	error      string // of the task
	held       bool   // the bench, for its path is off its connector
}

// What goes wrong after a path was taken off its connector holds the bench: the
// connector is open. What goes wrong before does not. Nothing is proposed.
func TestPathThatCannotBeMeasured(t *testing.T) {
	for _, c := range []pathTrouble{
		{name: "nobody joins the power meter", hands: func(*testBed, PromptStatus) {}, error: "is the generator joined to its sensor?"},
		{name: "the path stays where it is", hands: func(b *testBed, p PromptStatus) {
			if !strings.Contains(p.Text, "Take the path off connector") {
				b.joins(p)
			}
		}, error: "is its cable on the right connector", held: true},
		{name: "the wrong connector", hands: func(b *testBed, p PromptStatus) {
			p.Text = strings.ReplaceAll(p.Text, "connector 2", "connector 3")
			b.joins(p)
		}, error: "is its cable on the right connector", held: true},
		{name: "the generator is silent", at: 1, instrument: "bench-1-generator", fault: sim.Silent, hands: (*testBed).joins, error: "bench-1-generator"},
		{name: "no numbers from the power meter", at: 1, instrument: "bench-1-meter", fault: sim.NotANumber, hands: (*testBed).joins, error: "bench-1-meter"},
		{name: "the analyzer is lost in a trace", at: 2, instrument: "bench-1-analyzer", fault: sim.HalfBlock, hands: (*testBed).joins, error: "slot 1 connector 2", held: true},
		{name: "the analyzer is overdriven", at: 2, instrument: "bench-1-analyzer", fault: sim.Overload, hands: (*testBed).joins, error: "overload", held: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel() // they wait more than they work
			c.shows(t)
		})
	}
}

// shows looks that a task with this trouble ends as an error, that the bench is held
// where a path may still be joined to the generator, and that it comes to rest.
func (c pathTrouble) shows(t *testing.T) {
	b := newTestBed(t, 1, nil)
	asked := 0
	b.operateWith("bob", func(p PromptStatus) {
		c.hands(b, p)
		if asked++; asked == c.at {
			b.inject(c.instrument, c.fault)
		}
	})
	b.start("a", nil)
	task := b.ended(b.queue(measuring(t, 1, 2)).ID)
	if task.State != Error || !strings.Contains(task.Error, c.error) || task.Proposal != nil || task.Result != nil {
		t.Errorf("%s %s, want an error about %q", task.State, task.Error, c.error)
	}
	if hold := b.bench("bench-1").Hold; (hold != "") != c.held || c.held && !strings.Contains(hold, "slot 1 connector 2 may still be joined to the generator") {
		t.Errorf("the bench is held by %q", hold)
	}
	if c.instrument != "" {
		b.inject(c.instrument, sim.None)
	}
	eventually(t, "a bench at rest", func() bool { s := b.bench("bench-1"); return s.Alarm == "" && s.Activity == Idle })
	b.releaseAfterPath(c.held)
	b.nothingProposed()
}

// releaseAfterPath releases bench-1: where a path may be off its connector only with the
// word that it is back.
func (b *testBed) releaseAfterPath(off bool) {
	b.t.Helper()
	err := ReleaseBench(b.t.Context(), b.pool, "bench-1", BenchRelease{By: "ann"})
	var refused *BenchError
	if off != errors.As(err, &refused) || off && !strings.Contains(refused.Problem, "slot 1 connector 2 may still be joined to the generator") {
		b.t.Errorf("released without a word about the path: %v", err)
	}
	if !off {
		return
	}
	if s := b.bench("bench-1"); s.Hold == "" || s.PathsOff != "slot 1 connector 2" {
		b.t.Errorf("refused, but the bench is held by %q, off is %q", s.Hold, s.PathsOff)
	}
	if err := ReleaseBench(b.t.Context(), b.pool, "bench-1", BenchRelease{By: "ann", PathBack: true}); err != nil {
		b.t.Fatal(err)
	}
	if s := b.bench("bench-1"); s.Hold != "" || s.PathsOff != "" {
		b.t.Errorf("released, but held by %q, off is %q", s.Hold, s.PathsOff)
	}
	if n := b.count(`SELECT count(*) FROM event WHERE bench = 'bench-1' AND body->>'by' = 'ann' AND body->>'text' LIKE 'released; the path of slot 1 connector 2 is back%'`); n == 0 {
		b.t.Error("no event says who put the path back")
	}
}

// A path that is off its connector keeps every run away until somebody says that it is
// back, whatever its bench is held for by now.
func TestNoRunWhileAPathIsOff(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.queue(measuring(t, 1, 2)).ID
	mustExec(t, b.pool, `UPDATE path_task SET state = 'error', error = 'gone', finished_at = now(), displaced = true WHERE id = $1`, id)
	next := b.submit(powerPlan, "T4-0001")["T4-0001"]
	b.refusedWithoutHold(next)
	b.start("a", nil)
	within(t, 20*time.Second, "the bench held again", func() bool { return strings.Contains(b.bench("bench-1").Hold, "connector 2 may still be joined") })
	if err := HoldBench(t.Context(), b.pool, "bench-1", "new cables", "bob"); err != nil {
		t.Fatal(err)
	}
	b.releaseAfterPath(true)
	if r := b.await(next); r.Verdict != conformance.Pass {
		t.Errorf("run %+v", r)
	}
	b.mustBeClean()
}

// refusedWithoutHold has a holder of bench-1 look for work while nothing holds the
// bench: the run is not taken, and says why.
func (b *testBed) refusedWithoutHold(next uuid.UUID) {
	b.t.Helper()
	r := b.rigOf("by hand")
	tn := &tenure{keeper: newKeeper(r.agent, "bench-1"), lease: r.lease, rig: r}
	if err := tn.release(b.t.Context(), ""); err != nil {
		b.t.Fatal(err)
	}
	if s := run(b.t, b.pool, next); s.State != Queued || !strings.Contains(s.Blocked, "connector 2 may still be joined to the generator") {
		b.t.Errorf("the run is %s, blocked by %q", s.State, s.Blocked)
	}
	if taken, err := tn.take(b.t.Context(), &openRun{ID: next}, 1); taken || err != nil {
		b.t.Errorf("taken %v, %v", taken, err)
	}
	if err := r.lease.release(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
}

// Nobody answers: the task ends, and is not begun again by itself.
func TestNobodyIsThereForThePath(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.queue(measuring(t, 1, 2)).ID
	b.start("a", func(o *AgentOptions) { o.Timings.Answer = 300 * time.Millisecond })
	task := b.ended(id)
	if task.State != Error || !strings.Contains(task.Error, "nobody answered within 300ms") || !strings.Contains(task.Error, "start it again") {
		t.Errorf("%s: %s", task.State, task.Error)
	}
	if hold := b.bench("bench-1").Hold; hold != "" || b.generatorOn() != 0 {
		t.Errorf("the bench is held by %q, the generator was on %d times", hold, b.generatorOn())
	}
	b.nothingProposed()
}

// Who cannot go on says why, wherever it is: the bench is held as soon as the path
// may be off its connector, until a person said that it is back.
func TestPersonCannotGoOn(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.start("a", nil)
	for answered := range 3 {
		id := b.queue(measuring(t, 1, 2)).ID
		p := b.open()
		for range answered {
			p = b.answerNext()
		}
		if err := AnswerPrompt(t.Context(), b.pool, p.ID, Reply{By: "bob", Cannot: true, Note: "the adapter is missing"}); err != nil {
			t.Fatal(err)
		}
		if task := b.ended(id); task.State != Error || !strings.Contains(task.Error, "the adapter is missing") {
			t.Errorf("after %d answers: %s %s", answered, task.State, task.Error)
		}
		if hold := b.bench("bench-1").Hold; (hold != "") != (answered > 0) {
			t.Errorf("after %d answers the bench is held by %q", answered, hold)
		}
		b.nothingProposed()
		b.releaseAfterPath(answered > 0)
	}
}

// A task that is cancelled withdraws its prompt; one that waits never begins.
func TestPathIsCancelled(t *testing.T) {
	b := newTestBed(t, 1, nil)
	first, second := b.queue(measuring(t, 1, 2)).ID, b.queue(measuring(t, 1, 3)).ID
	b.start("a", nil)
	p := b.answerNext()
	if err := CancelPathTask(t.Context(), b.pool, second, "ann"); err != nil {
		t.Fatal(err)
	}
	if err := CancelPathTask(t.Context(), b.pool, first, "ann"); err != nil {
		t.Fatal(err)
	}
	if err := AnswerPrompt(t.Context(), b.pool, p.ID, Reply{By: "bob"}); !errors.Is(err, ErrEnded) {
		t.Errorf("the prompt of a cancelled task took an answer: %v", err)
	}
	if open, err := OpenPrompts(t.Context(), b.pool); err != nil || len(open) != 0 {
		t.Errorf("asked for a cancelled task: %+v, %v", open, err)
	}
	within(t, 20*time.Second, "the prompt withdrawn", func() bool {
		kept, err := PromptByID(t.Context(), b.pool, p.ID)
		return err == nil && kept.State == PromptWithdrawn && kept.Note == errWithdrawn.Error()
	})
	within(t, 20*time.Second, "a bench at rest and held", func() bool {
		s := b.bench("bench-1")
		return s.Activity == Idle && strings.Contains(s.Hold, "connector 2 may still be joined")
	})
	for _, id := range []any{first, second} {
		if n := b.count(`SELECT count(*) FROM path_task WHERE id = $1 AND state = 'cancelled' AND ended_by = 'ann'`, id); n != 1 {
			t.Errorf("task %v is not cancelled", id)
		}
	}
	if err := CancelPathTask(t.Context(), b.pool, first, "ann"); !errors.Is(err, ErrEnded) {
		t.Errorf("cancelled twice: %v", err)
	}
	if err := CancelPathTask(t.Context(), b.pool, newID(t), "ann"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown: %v", err)
	}
	if open, err := OpenPrompts(t.Context(), b.pool); err != nil || len(open) != 0 {
		t.Errorf("still asked: %+v, %v", open, err)
	}
	b.nothingProposed()
}

// A unit that cannot be confirmed silent keeps the generator off: its power would
// go backwards into it.
func TestGeneratorStaysOffBesideAUnitThatIsNotSilent(t *testing.T) {
	b := newTestBed(t, 1, nil)
	answered := 0
	b.operateWith("bob", func(p PromptStatus) {
		if b.joins(p); answered == 0 {
			b.inject("T4-0002", sim.Silent)
		}
		answered++
	})
	id := b.queue(measuring(t, 1, 2)).ID
	// DC is on: without it a silent unit is known to be one that cannot transmit.
	run := b.submit(onePower, "T4-0001")["T4-0001"]
	if _, err := Cancel(t.Context(), b.pool, run, "ann"); err != nil {
		t.Fatal(err)
	}
	b.powered()
	b.start("a", nil)
	if task := b.ended(id); task.State != Error || !strings.Contains(task.Error, "the generator stays off") || !strings.Contains(task.Error, "T4-0002") {
		t.Errorf("%s: %s", task.State, task.Error)
	}
	if n := b.generatorOn(); n != 0 {
		t.Errorf("the generator was switched on %d times", n)
	}
	b.nothingProposed()
}

// powered leaves DC on, as after a run.
func (b *testBed) powered() {
	b.t.Helper()
	l, _, err := lab.Load(b.t.Context(), b.pool, 0)
	if err != nil {
		b.t.Fatal(err)
	}
	bench, _ := l.Bench("bench-1")
	a, err := NewAgent(AgentOptions{Pool: b.pool, Name: "by hand", Timings: quick()})
	if err != nil {
		b.t.Fatal(err)
	}
	a.setLab(l, 0)
	held, _, err := acquire(b.t.Context(), b.pool, "bench-1", "by hand", quick(), time.Now)
	if err != nil {
		b.t.Fatal(err)
	}
	r := newRig(a, held)
	defer r.close()
	if _, err := r.power(b.t.Context(), bench); err != nil {
		b.t.Fatal(err)
	}
	if err := held.release(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
}

// answerNext does what the open prompt says, and waits until another is open.
func (b *testBed) answerNext() PromptStatus {
	b.t.Helper()
	p := b.open()
	b.joins(p)
	if err := AnswerPrompt(b.t.Context(), b.pool, p.ID, Reply{By: "bob"}); err != nil {
		b.t.Fatal(err)
	}
	var next PromptStatus
	within(b.t, 20*time.Second, "the next prompt", func() bool {
		open, err := OpenPrompts(b.t.Context(), b.pool)
		if err == nil && len(open) == 1 && open[0].ID != p.ID {
			next = open[0]
		}
		return next.ID != uuid.Nil
	})
	return next
}

// An agent that stops ends its task, and holds the bench with the path off its connector.
func TestAgentStopsDuringAPath(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.queue(measuring(t, 1, 2)).ID
	a := b.start("a", nil)
	b.answerNext()
	b.stop(a)
	if task := b.ended(id); task.State != Error || !strings.Contains(task.Error, errStopping.Error()) {
		t.Errorf("%s: %s", task.State, task.Error)
	}
	if hold := b.bench("bench-1").Hold; !strings.Contains(hold, "connector 2 may still be joined") {
		t.Errorf("the bench is held by %q", hold)
	}
	b.nothingProposed()
}

// Who takes the bench over ends what the last holder left, and holds the bench too.
func TestPathOfALostHolder(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.queue(measuring(t, 1, 2)).ID
	mustExec(t, b.pool, `UPDATE path_task SET state = 'active', token = 1, started_at = now(), displaced = true WHERE id = $1`, id)
	b.start("b", nil)
	if task := b.ended(id); task.State != Error || !strings.Contains(task.Error, "is gone") {
		t.Errorf("%s: %s", task.State, task.Error)
	}
	if hold := b.bench("bench-1").Hold; !strings.Contains(hold, "connector 2 may still be joined") {
		t.Errorf("the bench is held by %q", hold)
	}
	if n := b.generatorOn(); n != 0 {
		t.Errorf("the generator was switched on %d times", n)
	}
	b.nothingProposed()
}

// What must not or cannot be measured is refused before anything is switched on,
// every problem at once.
func TestPathIsRefused(t *testing.T) {
	b := newTestBed(t, 1, nil)
	whole := string(b.lab.Inventory())
	for name, c := range map[string]struct {
		old, fresh string // in the inventory
		edit       func(*lab.Lab)
		change     func(*PathRequest)
		says       []string
	}{
		"unknown bench":     {change: func(r *PathRequest) { r.Bench = "bench-9" }, says: []string{`bench "bench-9"`}},
		"unknown path":      {change: func(r *PathRequest) { r.Connector = 9 }, says: []string{"bench-1 slot 1 connector 9 has no path"}},
		"nobody asks":       {change: func(r *PathRequest) { r.By = " " }, says: []string{"name of who asks is missing"}},
		"other task":        {change: func(r *PathRequest) { r.Kind = "guess" }, says: []string{"is no task"}},
		"too few":           {change: func(r *PathRequest) { r.Frequencies = r.Frequencies[:2] }, says: []string{"2 frequencies; want 3 or more"}},
		"too many":          {change: func(r *PathRequest) { r.Frequencies = make([]rf.Hertz, calibration.MostRows+1) }, says: []string{"want 2001 at most"}},
		"falling":           {change: func(r *PathRequest) { slices.Reverse(r.Frequencies) }, says: []string{"does not rise"}},
		"beyond the range":  {change: func(r *PathRequest) { r.Frequencies[4] = 27e9 }, says: []string{"27 GHz is outside"}},
		"check outside":     {change: func(r *PathRequest) { r.Kind, r.Frequencies = CheckPath, []rf.Hertz{1e3} }, says: []string{"1 kHz is outside"}},
		"too strong":        {change: func(r *PathRequest) { r.Level = 21 }, says: []string{"gives 20.00 dBm at most"}},
		"too weak":          {change: func(r *PathRequest) { r.Level = -30 }, says: []string{"too little for the power meter"}},
		"no level":          {change: func(r *PathRequest) { r.Level = rf.DBm(math.NaN()) }, says: []string{"none of a generator"}},
		"analyzer in harm":  {old: "max_input: 30.00 dBm", fresh: "max_input: 2 dBm", says: []string{"0.00 dBm with a margin of 3.00 dB could reach bench-1-analyzer, which stands 2.00 dBm", "-1.00 dBm or less"}},
		"no generator":      {edit: func(l *lab.Lab) { l.Benches[0].Generator = "" }, says: []string{"no generator or no power_meter"}},
		"nothing is known":  {old: "output_swr: 1.2\n", fresh: "\n", says: []string{"does not tell output_swr of bench-1-generator"}},
		"meter not known":   {old: "level_uncertainty: 0.10 dB\n", fresh: "\n", says: []string{"does not tell level_uncertainty of bench-1-meter"}},
		"calibration ended": {says: []string{"the calibration of bench-1-"}},
	} {
		if !strings.Contains(whole, c.old) {
			t.Errorf("%s: the inventory has no %q", name, c.old)
			continue
		}
		l, err := lab.Parse("lab.yaml", []byte(strings.Replace(whole, c.old, c.fresh, 1)))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		r, today := measuring(t, 1, 2), time.Now()
		if c.change != nil {
			c.change(&r)
		} else if c.edit != nil {
			c.edit(l)
		} else if c.old == "" {
			today = today.AddDate(1, 0, 0)
		}
		r.By = strings.TrimSpace(r.By)
		var refused *PathTaskRefusedError
		if _, err := r.plan(l, lab.DateOf(today)); !errors.As(err, &refused) {
			t.Errorf("%s: %v, want a refusal", name, err)
			continue
		}
		for _, says := range c.says {
			if !strings.Contains(refused.Error(), says) {
				t.Errorf("%s: %q does not say %q", name, refused, says)
			}
		}
	}
	wrong := measuring(t, 1, 2)
	wrong.Level, wrong.By = 28, ""
	var refused *PathTaskRefusedError
	if _, err := QueuePathTask(t.Context(), b.pool, wrong, time.Now()); !errors.As(err, &refused) || len(refused.Problems) != 2 {
		t.Errorf("two problems give %v", err)
	}
	if n := b.count(`SELECT count(*) FROM path_task`); n != 0 {
		t.Errorf("%d tasks were queued", n)
	}
}

// What became wrong while a task waited is seen before anything is switched on.
func TestPathIsLookedAtAgain(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.operateWith("bob", b.joins)
	r := measuring(t, 1, 2)
	r.Level = 12
	id := b.queue(r).ID
	b.amend("max_input: 30.00 dBm", "max_input: 14 dBm")
	b.start("a", nil)
	if task := b.ended(id); task.State != Error || !strings.Contains(task.Error, "could reach bench-1-analyzer") {
		t.Errorf("%s: %s", task.State, task.Error)
	}
	if n := b.count(`SELECT count(*) FROM prompt`); n != 0 || b.generatorOn() != 0 {
		t.Errorf("%d prompts, generator on %d times", n, b.generatorOn())
	}
	b.nothingProposed()
}

// A measurement that cannot be proposed is stored as the error that it is.
func TestPathThatIsNotProposed(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.operateWith("bob", func(p PromptStatus) {
		if b.joins(p); p.Kind == MoveCable { // the inventory loses the path meanwhile
			mustExec(t, b.pool, `UPDATE lab_version SET document = replace(document, 'connector: 2', 'connector: 7'), decoded = NULL`)
		}
	})
	id := b.queue(measuring(t, 1, 2)).ID
	b.start("a", nil)
	if task := b.ended(id); task.State != Error || task.Result != nil {
		t.Errorf("%s: %s", task.State, task.Error)
	}
	if hold := b.bench("bench-1").Hold; hold != "" {
		t.Errorf("the bench is held by %q with the path on its connector", hold)
	}
	b.nothingProposed()
}

// The time that is left follows the time that readings took.
func TestPace(t *testing.T) {
	p := paceOf(10)
	if p.left() != 10*(nominalMeter+nominalSweeps) {
		t.Errorf("nominal: %s", p.left())
	}
	p.took(true, 4*time.Second)
	p.took(true, 6*time.Second)
	if want := 8*5*time.Second + 10*nominalSweeps; p.left() != want {
		t.Errorf("after two at the power meter: %s, want %s", p.left(), want)
	}
	for range 8 {
		p.took(true, 5*time.Second)
	}
	for range 10 {
		p.took(false, time.Second)
	}
	if p.left() != 0 {
		t.Errorf("at the end: %s", p.left())
	}
}
