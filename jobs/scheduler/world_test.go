package scheduler

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
)

// world is a made-up lab whose benches take jobs over some days while new ones
// come in, with durations that differ from their estimates.
type world struct {
	random  *rand.Rand
	policy  Policy
	benches []Bench
	coming  []Job // by the time they are queued
	setUp   SetUpTime
}

// begun is one decision of a world, with what waited at that moment.
type begun struct {
	Decision
	bench   Bench
	at      time.Time
	waiting []Job // on the same bench, without obstacle, the chosen one left out
}

// windowsOf gives a bench maintenance every day and a reservation.
func windowsOf() []Window {
	var list []Window
	for day := range 5 {
		from := morning.Add(time.Duration(day)*24*time.Hour + 6*time.Hour)
		list = append(list, Window{From: from, Until: from.Add(3 * time.Hour), Reason: "cleaning"})
	}
	return append(list, Window{From: morning.Add(30 * time.Hour), Until: morning.Add(40 * time.Hour), For: "ann"})
}

// age makes the classes come near each other often in a few days.
const age = 6 * time.Hour

// newWorld makes benches of different abilities and more work than they can do.
func newWorld(seed uint64) *world {
	w := &world{random: rand.New(rand.NewPCG(seed, 1)), policy: Policy{Age: age}.withDefaults(), setUp: Nominal}
	for i := range 4 {
		b := Bench{Name: fmt.Sprint("bench-", i+1), Frequency: rf.Range{Low: rf.Megahertz, High: 4 * rf.Gigahertz}, Connectors: 4, Power: 46, Limited: true, Windows: windowsOf()}
		if i > 1 {
			b.Frequency.High, b.Options, b.Power = 8*rf.Gigahertz, []string{"cold"}, 50
		}
		if i == 3 {
			b.Calibrated = morning.Add(4 * 24 * time.Hour)
		}
		w.benches = append(w.benches, b)
	}
	at := morning
	for i := 0; at.Before(morning.Add(4 * 24 * time.Hour)); i++ {
		at = at.Add(time.Duration(w.random.IntN(30)) * time.Minute)
		w.coming = append(w.coming, w.job(i, at))
	}
	return w
}

func (w *world) job(i int, at time.Time) Job {
	j := Job{
		ID: fmt.Sprintf("job-%05d", i), Unit: fmt.Sprint("unit-", i), Bench: w.benches[w.random.IntN(4)].Name, Queued: at,
		Class: Classes()[w.random.IntN(4)], Requester: []string{"ann", "ben", "eve"}[w.random.IntN(3)],
		Family:   Family{Band: fmt.Sprint("n", w.random.IntN(3)), FrontEnd: fmt.Sprint("pad ", w.random.IntN(2))},
		Takes:    Estimate{Median: time.Duration(5+w.random.IntN(90)) * time.Minute, Sigma: 0.2},
		Segments: 6,
		Needs:    Needs{Frequency: rf.Range{Low: rf.Gigahertz, High: rf.Hertz(1+w.random.IntN(5)) * 1.2 * rf.Gigahertz}, Power: 43, Connectors: 1 + w.random.IntN(5)},
	}
	switch w.random.IntN(6) {
	case 0:
		j.Deadline = at.Add(time.Duration(1+w.random.IntN(72)) * time.Hour)
	case 1:
		j.Needs.Options = []string{"cold"}
	case 2:
		j.Needs.Power = 49
	}
	return j
}

// run plays the world and calls see with every decision.
func (w *world) run(see func(begun)) {
	ledger := NewLedger(w.policy)
	q := NewQueue(w.policy, w.setUp, ledger)
	waiting := map[string][]Job{}
	free := map[string]time.Time{}
	coming := w.coming
	for at := morning; at.Before(morning.Add(5 * 24 * time.Hour)); at = at.Add(5 * time.Minute) {
		for len(coming) > 0 && !coming[0].Queued.After(at) {
			j := coming[0]
			coming = coming[1:]
			q.Add(j)
			waiting[j.Bench] = append(waiting[j.Bench], j)
		}
		for i := range w.benches {
			b := &w.benches[i]
			if free[b.Name].After(at) {
				continue
			}
			q.Candidates(b, at, func(d Decision) bool {
				rest := slices.DeleteFunc(slices.Clone(waiting[b.Name]), func(j Job) bool { return j.ID == d.ID })
				waiting[b.Name] = slices.Clone(rest)
				able := slices.DeleteFunc(rest, func(j Job) bool { return b.Obstacle(&j, w.setUp(b.SetUp, j.Family), at, w.policy) != "" })
				see(begun{d, *b, at, able})
				took := d.SetUp + d.Takes.drawn(w.random.NormFloat64(), 0)
				b.SetUp, free[b.Name] = d.Family, at.Add(took)
				ledger.Charge(d.Requester, took, at.Add(took))
				return true
			})
		}
	}
}

// aged is the class of a job in the order of Classes after what it waited.
func aged(j Job, at time.Time) int {
	return slices.Index(Classes(), j.Class) - int(at.Sub(j.Queued)/age)
}

func TestPolicyHoldsInRandomLabs(t *testing.T) {
	for seed := range uint64(4) {
		w := newWorld(seed)
		decisions, overtaken := 0, 0
		w.run(func(d begun) {
			decisions++
			cannot(t, d)
			for _, j := range d.waiting {
				if aged(j, d.at) < aged(d.Job, d.at) {
					t.Fatalf("seed %d, %s: %s begins %s (%s, queued %s) before %s (%s, queued %s)", seed, d.at, d.bench.Name, d.ID, d.Class, d.Queued, j.ID, j.Class, j.Queued)
				}
				// Nothing starves: what came later than the difference of the classes, each
				// worth an age, and one more age goes behind.
				classes := slices.Index(Classes(), j.Class) - slices.Index(Classes(), d.Class)
				late := d.Queued.Sub(j.Queued)
				if late > 0 {
					overtaken++
				}
				if late > time.Duration(classes+1)*age {
					t.Fatalf("seed %d: %s overtakes %s that was queued %s before it", seed, d.ID, j.ID, late)
				}
			}
		})
		if decisions < 200 || overtaken < 100 {
			t.Errorf("seed %d: %d decisions, %d jobs overtaken: the world says little", seed, decisions, overtaken)
		}
	}
}

// cannot fails where the bench could not do the job, looked at without Obstacle.
func cannot(t *testing.T, d begun) {
	t.Helper()
	b, n := d.bench, d.Needs
	end := d.at.Add(d.SetUp + d.Takes.Quantile(0.95))
	switch {
	case d.Bench != b.Name:
		t.Fatalf("%s takes %s, which is mounted on %s", b.Name, d.ID, d.Bench)
	case n.Frequency.High > b.Frequency.High, n.Power > b.Power, n.Connectors > b.Connectors, len(n.Options) > len(b.Options):
		t.Fatalf("%s cannot do %s: %+v", b.Name, d.ID, n)
	case !b.Calibrated.IsZero() && end.After(b.Calibrated):
		t.Fatalf("%s may end at %s, the calibration of %s ends at %s", d.ID, end, b.Name, b.Calibrated)
	}
	for _, w := range b.Windows {
		if d.Requester != w.For && d.at.Before(w.Until) && end.After(w.From) {
			t.Fatalf("%s of %s works from %s to %s although %s is %s", d.ID, d.Requester, d.at, end, b.Name, w)
		}
	}
}

func TestEqualInputGivesEqualDecisions(t *testing.T) {
	w := newWorld(3)
	now := morning.Add(2 * 24 * time.Hour)
	shuffled := slices.Clone(w.coming)
	w.random.Shuffle(len(shuffled), func(i, k int) { shuffled[i], shuffled[k] = shuffled[k], shuffled[i] })
	one := describe(workOff(w.coming, w.benches, w.policy, w.setUp, NewLedger(w.policy), now))
	other := describe(workOff(shuffled, w.benches, w.policy, w.setUp, NewLedger(w.policy), now))
	if one != other {
		t.Error("the order in which jobs are added changes what is decided")
	}
	if strings.Count(one, "\n") < 150 {
		t.Errorf("only %d decisions", strings.Count(one, "\n"))
	}
	if places, _ := Mount([]Job{}, nil, nil, w.policy, w.setUp, NewLedger(w.policy), now); len(places) != 0 {
		t.Errorf("nothing on the shelf, yet %v", places)
	}
}

func describe(d workedOff) string {
	var text strings.Builder
	for _, s := range d.stints {
		fmt.Fprintln(&text, s.job.ID, s.job.Bench, s.start, s.setUp, s.by)
	}
	return text.String()
}

// Three requesters ask for more than a bench can do, in jobs of different length:
// their use stays together within a quantum and two of the longest jobs.
func TestFairShareConverges(t *testing.T) {
	lengths := map[string]time.Duration{"ann": 20 * time.Minute, "ben": 45 * time.Minute, "eve": 110 * time.Minute}
	b := Bench{Name: "b"}
	ledger := NewLedger(Policy{})
	ledger.Charge("eve", 10*time.Hour, morning) // had the bench for herself before
	used := map[string]time.Duration{}
	at := morning
	var lastOfEve time.Duration
	for i := 0; at.Before(morning.Add(20 * 24 * time.Hour)); i++ {
		q := NewQueue(Policy{}, Nominal, ledger)
		for who, length := range lengths {
			q.Add(Job{ID: fmt.Sprint(who, i), Bench: "b", Requester: who, Queued: at, Takes: Estimate{Median: length}, Family: Family{Band: who}})
		}
		q.Candidates(&b, at, func(d Decision) bool {
			took := d.SetUp + d.Takes.Median
			at = at.Add(took)
			ledger.Charge(d.Requester, took, at)
			used[d.Requester] += took
			b.SetUp = d.Family
			if d.Requester == "eve" && lastOfEve == 0 {
				lastOfEve = at.Sub(morning)
			}
			return true
		})
	}
	if lastOfEve < 8*time.Hour {
		t.Errorf("who used 10 h before gets the bench again after %s", lastOfEve)
	}
	for who := range lengths {
		share := used[who].Hours() / at.Sub(morning).Hours()
		if share < 0.31 || share > 0.36 {
			t.Errorf("%s has %.3f of 20 days, want about a third", who, share)
		}
	}
	most, least := time.Duration(0), time.Duration(1<<62)
	for who := range lengths {
		most, least = max(most, ledger.Used(who, at)), min(least, ledger.Used(who, at))
	}
	if most-least > 2*time.Hour+2*112*time.Minute {
		t.Errorf("recent use differs by %s", most-least)
	}
}
