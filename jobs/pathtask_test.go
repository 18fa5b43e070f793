package jobs

import (
	"errors"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/instruments/sim"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
)

var pathAt = regexp.MustCompile(`connector (\d+)(?: of \S+)? in slot (\d+)`)

// joins does with the hands of the simulator what the prompts of path tasks say.
// Nobody may be asked to touch a cable with the generator on.
func (b *testBed) joins(p PromptStatus) {
	if p.PathTask == nil {
		return
	}
	if _, level, err := b.lab.GeneratorOutput(p.Bench); err != nil || !math.IsInf(float64(level), -1) {
		b.t.Errorf("asked to touch cables with %s at the generator, %v: %s", level, err, p.Text)
	}
	hands, err := b.lab.Fixture(p.Bench)
	if err != nil {
		b.t.Error(err)
		return
	}
	at := pathAt.FindStringSubmatch(p.Text)
	switch {
	case strings.Contains(p.Text, "to the sensor of the power meter"):
		err = hands.Generator("METer")
	case p.Kind == MoveCable:
		err = hands.Generator("NONE")
	case at != nil:
		channel := strconv.Itoa(100*number(at[2]) + number(at[1]))
		if b.lab.Config().Benches[0].Manual {
			err = hands.Cable(channel)
		}
		err = errors.Join(err, hands.Generator(channel))
	default:
		b.t.Errorf("nobody understands %q", p.Text)
	}
	if err != nil {
		b.t.Errorf("%s: %v", p.Text, err)
	}
}

// measuring is the request for connector n of the unit in slot 1: five frequencies of n78.
func measuring(t testing.TB, slot, connector int) PathRequest {
	t.Helper()
	f, err := calibration.Grid(3.3e9, 3.8e9, 5)
	if err != nil {
		t.Fatal(err)
	}
	return PathRequest{Kind: MeasurePath, PathPlace: PathPlace{"bench-1", slot, connector}, Frequencies: f, By: "bob"}
}

func (b *testBed) queue(r PathRequest) PathTask {
	b.t.Helper()
	task, err := QueuePathTask(b.t.Context(), b.pool, r, time.Now())
	if err != nil {
		b.t.Fatal(err)
	}
	return task
}

// ended waits for the end of a task.
func (b *testBed) ended(id uuid.UUID) PathTask {
	b.t.Helper()
	var task PathTask
	within(b.t, time.Minute, "the end of the path task", func() bool {
		var err error
		if task, err = PathTaskByID(b.t.Context(), b.pool, id); err != nil {
			b.t.Fatal(err)
		}
		return task.State.Final()
	})
	return task
}

// A path is measured by hand: with everything off whenever a cable is touched, the
// loss as it is within its uncertainty, a proposal by whoever measured, and the
// record of it all.
func TestPathIsMeasured(t *testing.T) {
	b := newTestBed(t, 1, nil)
	o := b.operateWith("bob", b.joins)
	asked := b.queue(measuring(t, 1, 2))
	if asked.State != Queued || asked.Left <= 0 || asked.Frequencies[4] != 3.8e9 {
		t.Errorf("queued %+v", asked)
	}
	b.start("a", nil)
	task := b.ended(asked.ID)
	if task.State != Done || task.Readings != 10 || task.Proposal == nil || task.Result == nil || task.Program != "test" || task.Left != 0 {
		t.Fatalf("task %+v", task)
	}
	proposal, err := PathCorrectionByID(t.Context(), b.pool, *task.Proposal)
	if err != nil {
		t.Fatal(err)
	}
	if proposal.State != PathProposed || proposal.MeasuredBy != "bob" || proposal.Analyzer != "bench-1-analyzer" || len(proposal.Rows) != 5 || !proposal.Simulated {
		t.Errorf("proposal %+v", proposal)
	}
	b.truly(proposal)
	if got := append(o.did(ConnectGenerator), o.did(MoveCable)...); len(got) != 3 || !strings.Contains(got[2], "back onto connector 2 of T4-0001 in slot 1") {
		t.Errorf("asked %q", got)
	}
	kept, err := PromptsOfPathTask(t.Context(), b.pool, task.ID)
	if err != nil || len(kept) != 3 {
		t.Fatalf("the task keeps %+v, %v", kept, err)
	}
	for _, p := range kept {
		if p.State != PromptDone || p.AnsweredBy != "bob" || len(p.Confirmed) == 0 {
			t.Errorf("the task keeps %+v", p)
		}
	}
	if n := b.count(`SELECT count(*) FROM path_task WHERE length(transcript) > 100 AND instruments ? 'bench-1-meter' AND NOT displaced`); n != 1 {
		t.Error("transcript or instruments are missing")
	}
	if s := b.bench("bench-1"); s.Hold != "" || s.Alarm != "" {
		t.Errorf("bench %+v", s)
	}
	b.mustBeClean()
}

// truly holds a proposal against the truth of the simulator. Its errors lie within
// their uncertainty; what the simulator does to levels is far below it.
func (b *testBed) truly(c PathCorrection) {
	b.t.Helper()
	for _, row := range c.Rows {
		serial := map[int]string{1: "T4-0001", 2: "T4-0002"}[c.Slot]
		truth, err := b.lab.Loss(serial, c.Connector, row.Frequency)
		if err != nil {
			b.t.Fatal(err)
		}
		if off := math.Abs(float64(row.Loss - truth)); off > float64(row.Uncertainty) || off > 0.03 || row.Uncertainty > 0.5 || len(row.Budget.Parts) < 8 {
			b.t.Errorf("%s at %s: %s +- %s of %d parts, in truth %s", c.PathPlace, row.Frequency, row.Loss, row.Uncertainty, len(row.Budget.Parts), truth)
		}
	}
}

// Over many labs and paths, with and without switch matrix, at least 95 % of the
// stated uncertainties hold the truth; here all do, and nothing suffers.
func TestPathsOfManyLabs(t *testing.T) {
	seeds := uint64(2)
	if long() {
		seeds = 20
	}
	for seed := range seeds {
		t.Run(strconv.FormatUint(seed, 10), func(t *testing.T) {
			t.Parallel() // they wait more than they work
			pathsOfALab(t, seed)
		})
	}
}

func pathsOfALab(t *testing.T, seed uint64) {
	b := newTestBed(t, 1, func(c *sim.Config) {
		c.Seed = seed + 100
		c.Benches[0].Manual = seed%2 == 1
	})
	b.operateWith("bob", b.joins)
	a := b.start("a", nil)
	for connector := 1; connector <= 4; connector++ {
		r := measuring(t, 1+connector%2, connector)
		r.Level = rf.DBm(5 * (connector % 2))
		task := b.ended(b.queue(r).ID)
		if task.State != Done {
			t.Fatalf("seed %d: %+v", seed, task)
		}
		proposal, err := PathCorrectionByID(t.Context(), b.pool, *task.Proposal)
		if err != nil {
			t.Fatal(err)
		}
		b.truly(proposal)
	}
	b.mustBeClean()
	b.stop(a)
}

// amend applies the inventory again with a change of its text.
func (b *testBed) amend(old, fresh string) {
	b.t.Helper()
	document := string(b.lab.Inventory())
	if !strings.Contains(document, old) {
		b.t.Fatalf("the inventory has no %q", old)
	}
	if _, _, err := lab.Apply(b.t.Context(), b.pool, "lab.yaml", []byte(strings.Replace(document, old, fresh, 1)), "ann"); err != nil {
		b.t.Fatal(err)
	}
}

// A check looks at a few frequencies of the correction in force. One that passes
// lets an approved correction hold for elements that were changed; one that fails
// holds the bench.
func TestPathIsChecked(t *testing.T) {
	b := newTestBed(t, 1, nil)
	b.operateWith("bob", b.joins)
	b.start("a", nil)
	check := PathRequest{Kind: CheckPath, PathPlace: PathPlace{"bench-1", 1, 1}, By: "bob"}
	task := b.ended(b.queue(check).ID)
	if task.State != Done || task.Passed == nil || !*task.Passed || len(task.Result.Check) != checkedFrequencies || task.Proposal != nil {
		t.Fatalf("check %+v", task)
	}
	measured := b.ended(b.queue(measuring(t, 1, 1)).ID)
	if _, err := Approve(t.Context(), b.pool, *measured.Proposal, Approval{By: "ann", Narrower: true}); err != nil {
		t.Fatal(err)
	}
	b.amend("bench-1-cable-101", "bench-1-cable-new")
	stale := func() string {
		l, _, err := lab.Load(t.Context(), b.pool, 0)
		if err != nil {
			t.Fatal(err)
		}
		p, _ := l.PathFor("bench-1", 1, 1)
		return l.Stale(p)
	}
	if why := stale(); !strings.Contains(why, "bench-1-cable-new") {
		t.Fatalf("after a change of its cable the path is stale by %q", why)
	}
	if task = b.ended(b.queue(check).ID); task.Passed == nil || !*task.Passed {
		t.Fatalf("check %+v", task)
	}
	if why := stale(); why != "" {
		t.Errorf("after a check that passed: %s", why)
	}
	check.Connector = 2 // its correction in the file is off from now on
	l, _, err := lab.Load(t.Context(), b.pool, 0)
	if err != nil {
		t.Fatal(err)
	}
	p, _ := l.PathFor("bench-1", 1, 2)
	row := p.Correction[4]
	b.amend(strings.TrimSuffix(rowText(row), "}"), strings.TrimSuffix(rowText(rf.CorrectionPoint{Frequency: row.Frequency, Loss: row.Loss + 0.4, Uncertainty: row.Uncertainty}), "}"))
	check.Frequencies = []rf.Hertz{row.Frequency}
	task = b.ended(b.queue(check).ID)
	if task.State != Done || task.Passed == nil || *task.Passed {
		t.Errorf("check %+v, want one that fails", task)
	}
	if hold := b.bench("bench-1").Hold; !strings.Contains(hold, "slot 1 connector 2: -0.") || !strings.Contains(hold, "measure the path again") {
		t.Errorf("the bench is held by %q", hold)
	}
	b.mustBeClean()
}

// rowText is a row as the inventory of the simulator writes it.
func rowText(p rf.CorrectionPoint) string {
	return "{frequency: " + p.Frequency.String() + ", loss: " + strconv.FormatFloat(float64(p.Loss), 'f', 3, 64) + " dB"
}

// A run waits until the path is measured, also one that was queued before; on a
// bench that is held paths are measured all the same.
func TestPathGoesBeforeRuns(t *testing.T) {
	b := newTestBed(t, 1, nil)
	id := b.submit(onePower, "T4-0001")["T4-0001"]
	task := b.queue(measuring(t, 1, 1))
	if err := HoldBench(t.Context(), b.pool, "bench-1", "waiting for its cables", "ann"); err != nil {
		t.Fatal(err)
	}
	b.start("a", nil)
	p := b.open()
	if p.PathTask == nil || *p.PathTask != task.ID || run(t, b.pool, id).State != Queued {
		t.Fatalf("asked %+v", p)
	}
	if now, err := PathTaskByID(t.Context(), b.pool, task.ID); err != nil || now.Prompt == nil || *now.Prompt != p.ID || now.State != Active || now.Doing != p.Text {
		t.Errorf("task %+v, %v", now, err)
	}
	if _, err := QueuePathTask(t.Context(), b.pool, measuring(t, 1, 1), time.Now()); err == nil || !strings.Contains(err.Error(), "in work already") {
		t.Errorf("the same again: %v", err)
	}
	if err := ReleaseBench(t.Context(), b.pool, "bench-1", BenchRelease{By: "ann"}); err != nil {
		t.Fatal(err)
	}
	b.operateWith("bob", b.joins)
	if task := b.ended(task.ID); task.State != Done {
		t.Errorf("task %+v", task)
	}
	if r := b.await(id); r.State != Done {
		t.Errorf("run %+v", r)
	}
	b.mustBeClean()
}
