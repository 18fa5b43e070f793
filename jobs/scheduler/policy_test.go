package scheduler

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
)

// waiting makes a job of an hour on bench b.
func waiting(id string, change func(*Job)) Job {
	j := Job{ID: id, Unit: "unit of " + id, Bench: "b", Requester: "ann", Queued: morning, Takes: Estimate{Median: time.Hour}, Segments: 6}
	if change != nil {
		change(&j)
	}
	return j
}

// order is what bench b takes, one after the other, all at the same time.
func order(b Bench, ledger *Ledger, at time.Time, jobs ...Job) (ids []string, by []Criterion) {
	q := NewQueue(Policy{}, changeover, ledger)
	q.Add(jobs...)
	for q.Candidates(&b, at, func(d Decision) bool {
		ids, by = append(ids, d.ID), append(by, d.By)
		b.SetUp = d.Family
		return true
	}) {
	}
	return ids, by
}

func TestOrderOfThePolicy(t *testing.T) {
	used := NewLedger(Policy{})
	used.Charge("ann", 5*time.Hour, morning)
	class := func(c Class) func(*Job) { return func(j *Job) { j.Class = c } }
	band := func(name string) func(*Job) { return func(j *Job) { j.Family.Band = name } }
	due := func(d time.Duration) func(*Job) { return func(j *Job) { j.Deadline = morning.Add(d) } }
	for _, c := range []struct {
		name string
		jobs []Job
		want string
		by   Criterion // of the first
	}{
		{"class", []Job{waiting("1", class(Low)), waiting("2", nil), waiting("3", class(Urgent)), waiting("4", class(High))}, "3 4 2 1", ByClass},
		{"ageing", []Job{waiting("1", class(High)), waiting("2", func(j *Job) { j.Class, j.Queued = Low, morning.Add(-72*time.Hour) })}, "2 1", ByClass},
		{"far deadlines wait", []Job{waiting("1", nil), waiting("2", due(30*time.Hour))}, "2 1", ByOrder},
		{"near deadlines go first", []Job{waiting("1", band("A")), waiting("2", func(j *Job) { band("B")(j); due(3 * time.Hour)(j) }), waiting("3", due(2*time.Hour))}, "3 2 1", ByDeadline},
		{"what cannot be met displaces nothing", []Job{waiting("1", nil), waiting("2", due(30*time.Minute))}, "1 2", ByOrder},
		{"share", []Job{waiting("1", nil), waiting("2", func(j *Job) { j.Requester = "ben" })}, "2 1", ByShare},
		{"set-up", []Job{waiting("1", band("B")), waiting("2", band("C")), waiting("3", band("A")), waiting("4", band("B"))}, "3 1 4 2", BySetUp},
		{"overtaken for a while only", []Job{waiting("1", func(j *Job) { j.Queued, j.Family.Band = morning.Add(-5*time.Hour), "B" }), waiting("2", band("A"))}, "1 2", ByOrder},
		{"alone", []Job{waiting("1", nil)}, "1", ByOrder},
	} {
		got, by := order(Bench{Name: "b", SetUp: Family{Band: "A"}}, used, morning, c.jobs...)
		if strings.Join(got, " ") != c.want || by[0] != c.by {
			t.Errorf("%s: took %v, the first by %s; want %s by %s", c.name, got, by[0], c.want, c.by)
		}
	}
}

func TestUrgentRunGoesAheadAtTheNextBoundary(t *testing.T) {
	urgent := waiting("u", func(j *Job) { j.Class = Urgent })
	for _, c := range []struct {
		name    string
		running Running
		jobs    []Job
		want    string
	}{
		{"a normal run gives way", Running{Job: waiting("r", nil), Rest: Estimate{Median: 40 * time.Minute}}, []Job{urgent, waiting("n", nil)}, "u"},
		{"not twice", Running{Job: waiting("r", nil), Rest: Estimate{Median: 40 * time.Minute}, Pausing: true}, []Job{urgent}, ""},
		{"not when it ends at that boundary anyway", Running{Job: waiting("r", nil), Rest: Estimate{Median: 10 * time.Minute}}, []Job{urgent}, ""},
		{"an urgent one does not", Running{Job: waiting("r", func(j *Job) { j.Class = Urgent }), Rest: Estimate{Median: 40 * time.Minute}}, []Job{urgent}, ""},
		{"nor for high", Running{Job: waiting("r", nil), Rest: Estimate{Median: 40 * time.Minute}}, []Job{waiting("h", func(j *Job) { j.Class = High })}, ""},
		{"nor for what only waited long", Running{Job: waiting("r", nil), Rest: Estimate{Median: 40 * time.Minute}},
			[]Job{waiting("h", func(j *Job) { j.Class, j.Queued = High, morning.Add(-100*time.Hour) })}, ""},
		{"nor for what the bench cannot begin", Running{Job: waiting("r", nil), Rest: Estimate{Median: 40 * time.Minute}},
			[]Job{waiting("u", func(j *Job) { j.Class, j.Needs.Options = Urgent, []string{"cold"} })}, ""},
	} {
		q := NewQueue(Policy{}, changeover, NewLedger(Policy{}))
		q.Add(c.jobs...)
		got, found := q.Preempts(&Bench{Name: "b", Running: &c.running}, morning)
		if got.ID != c.want || found != (c.want != "") {
			t.Errorf("%s: %q goes ahead, want %q", c.name, got.ID, c.want)
		}
		if q.Len() != len(c.jobs) {
			t.Errorf("%s: %d jobs wait, want %d", c.name, q.Len(), len(c.jobs))
		}
	}
}

func TestWhatIsRefusedStaysInTheQueue(t *testing.T) {
	q := NewQueue(Policy{}, changeover, NewLedger(Policy{}))
	q.Add(waiting("1", nil), waiting("2", nil), waiting("3", func(j *Job) { j.Family.Band = "B" }))
	var asked []string
	taken := q.Candidates(&Bench{Name: "b"}, morning, func(d Decision) bool {
		asked = append(asked, d.ID)
		return d.ID == "2"
	})
	if !taken || !slices.Equal(asked, []string{"1", "2"}) || q.Len() != 2 {
		t.Errorf("asked %v, taken %v, %d left; want 1 and 2 asked, 2 taken, 2 left", asked, taken, q.Len())
	}
	if q.Candidates(&Bench{Name: "b"}, morning, func(Decision) bool { return false }) || q.Len() != 2 {
		t.Errorf("nothing was taken, %d left, want 2", q.Len())
	}
}

func TestObstacles(t *testing.T) {
	able := Bench{Name: "b", Frequency: rf.Range{Low: rf.Megahertz, High: 4 * rf.Gigahertz}, Limited: true, Power: 43, Connectors: 2, Options: []string{"cold"}}
	needs := Needs{Frequency: rf.Range{Low: rf.Gigahertz, High: 2 * rf.Gigahertz}, Power: 43, Connectors: 2, Options: []string{"cold"}}
	for _, c := range []struct {
		name   string
		change func(*Bench, *Job)
		want   string // part of the reason; empty: none
	}{
		{"nothing", func(*Bench, *Job) {}, ""},
		{"hold", func(b *Bench, _ *Job) { b.Hold = "new pads" }, "b: new pads"},
		{"frequency", func(_ *Bench, j *Job) { j.Needs.Frequency.High = 5 * rf.Gigahertz }, "b covers 1 MHz to 4 GHz, wanted are 1 GHz to 5 GHz"},
		{"power", func(_ *Bench, j *Job) { j.Needs.Power = 46 }, "b stands 43.00 dBm at a connector, the unit gives 46.00 dBm"},
		{"connectors", func(_ *Bench, j *Job) { j.Needs.Connectors = 4 }, "b reaches 2 connectors, the unit has 4"},
		{"options", func(_ *Bench, j *Job) { j.Needs.Options = []string{"hot", "cold", "damp"} }, "b has no hot, damp"},
		{"calibration ends within the run", func(b *Bench, _ *Job) { b.Calibrated = morning.Add(69 * time.Minute) }, "the calibration of b ends at 2026-03-02 09:09 +00:00 and the run may take 1h10m"},
		{"calibration holds", func(b *Bench, _ *Job) { b.Calibrated = morning.Add(72 * time.Minute) }, ""},
		{"a path correction ends within the run", func(_ *Bench, j *Job) { j.Valid = morning.Add(69 * time.Minute) }, "a path correction of unit of 1 on b ends at 2026-03-02 09:09 +00:00"},
		{"maintenance begins within the run", func(b *Bench, _ *Job) {
			b.Windows = []Window{{From: morning.Add(time.Hour), Until: morning.Add(2 * time.Hour), Reason: "cleaning"}}
		}, "b is kept for maintenance from 2026-03-02 09:00 +00:00 to 2026-03-02 10:00 +00:00 (cleaning)"},
		{"maintenance after it", func(b *Bench, _ *Job) {
			b.Windows = []Window{{From: morning.Add(2 * time.Hour), Until: morning.Add(3 * time.Hour)}}
		}, ""},
		{"reserved for another", func(b *Bench, _ *Job) {
			b.Windows = []Window{{From: morning, Until: morning.Add(time.Hour), For: "eve"}}
		}, "b is reserved for eve"},
		{"reserved for the requester", func(b *Bench, _ *Job) {
			b.Windows = []Window{{From: morning, Until: morning.Add(time.Hour), For: "ann"}}
		}, ""},
		{"two take-overs", func(b *Bench, _ *Job) { b.Flaps, b.FlappedAt = 2, morning }, ""},
		{"flapping", func(b *Bench, _ *Job) { b.Flaps, b.FlappedAt = 5, morning.Add(-3*time.Minute) }, "b changed hands 5 times within an hour and takes its next run at 2026-03-02 08:01"},
		{"flapped, and rested", func(b *Bench, _ *Job) { b.Flaps, b.FlappedAt = 5, morning.Add(-5*time.Minute) }, ""},
	} {
		b, j := able, waiting("1", func(j *Job) { j.Needs = needs })
		c.change(&b, &j)
		got := b.Obstacle(&j, 10*time.Minute+time.Second, morning, Policy{})
		if (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestMountKeepsToWhatBenchesCan(t *testing.T) {
	benches := []Bench{
		{Name: "low", Frequency: rf.Range{High: 3 * rf.Gigahertz}, Slots: []int{1}},
		{Name: "high", Frequency: rf.Range{High: 8 * rf.Gigahertz}, Slots: []int{2, 3}},
		{Name: "shaky", Frequency: rf.Range{High: 3 * rf.Gigahertz}, Flaps: 6, FlappedAt: morning, Slots: []int{1}},
	}
	everywhere := map[string][]int{"low": {1, 2}, "high": {1, 2, 3}, "shaky": {1}}
	var shelf []Job
	for i := range 12 {
		shelf = append(shelf, waiting(fmt.Sprintf("%02d", i), func(j *Job) {
			j.Bench, j.Fits = "", everywhere
			j.Needs.Frequency.High = []rf.Hertz{2 * rf.Gigahertz, 6 * rf.Gigahertz}[i%2]
		}))
	}
	shelf = append(shelf, waiting("far", func(j *Job) { j.Bench, j.Fits, j.Needs.Frequency.High = "", everywhere, 40*rf.Gigahertz }),
		waiting("odd", func(j *Job) { j.Bench = "" }), waiting("now", func(j *Job) { j.Bench, j.Fits, j.Class = "", everywhere, Urgent }))
	places, stranded := Mount(shelf, nil, benches, Policy{}, Nominal, NewLedger(Policy{}), morning)
	if len(places) != 13 || len(stranded) != 2 {
		t.Fatalf("%d units placed, %d stranded; want 13 and 2", len(places), len(stranded))
	}
	if len(stranded[0].Reasons) != 3 || !strings.Contains(stranded[0].Reasons[1], "high covers 0 Hz to 8 GHz") {
		t.Errorf("the unit that no bench reaches: %q", stranded[0].Reasons)
	}
	if places[0].Unit != "unit of now" || places[0].Slot == 0 {
		t.Errorf("first to mount is %+v, want the urgent one, in a free slot", places[0])
	}
	count, slots := map[string]int{}, map[string]int{}
	for _, p := range places {
		count[p.Bench]++
		if p.Slot > 0 {
			slots[p.Bench]++
		}
	}
	if slots["low"] != 1 || slots["high"] != 2 || slots["shaky"] != min(1, count["shaky"]) {
		t.Errorf("units for free slots: %v, want one for each slot that is free", slots)
	}
	if count["shaky"] >= count["low"] {
		t.Errorf("a bench that flaps gets %d units, one that does not %d", count["shaky"], count["low"])
	}
	for i, p := range places {
		if shelf[slices.IndexFunc(shelf, func(j Job) bool { return j.Unit == p.Unit })].Needs.Frequency.High > 3*rf.Gigahertz && p.Bench != "high" {
			t.Errorf("%s is to be mounted on %s, which does not reach 6 GHz", p.Unit, p.Bench)
		}
		if i > 0 && p.Start.Before(places[i-1].Start) {
			t.Errorf("%s begins before the one above it in the list", p.Unit)
		}
	}
}
