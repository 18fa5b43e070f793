package scheduler

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Place is a unit from the shelf and where it should be mounted.
type Place struct {
	Unit  string
	Bench string
	Slot  int       // zero: none is free yet
	Jobs  []string  // of the unit
	Start time.Time // about when the first of them would begin
}

// Stranded is a unit from the shelf that no bench can take now.
type Stranded struct {
	Unit    string
	Reasons []string // one for each bench that has a place for it, or that there is none
}

// Mount says which units to take from the shelf and where to put each, in the
// order in which the benches want them. Urgent work is spread over the benches
// before what matters less; within a class the benches shall all end early. The
// queue waits at the benches already; it is not changed.
func Mount(shelf []Job, waiting []Job, benches []Bench, p Policy, setUp SetUpTime, ledger *Ledger, now time.Time) ([]Place, []Stranded) {
	p = p.withDefaults()
	units, stranded := gather(shelf, benches, p, now)
	assigned := slices.Clone(waiting)
	for len(units) > 0 { // class by class, after ageing
		n := 1
		for n < len(units) && units[n].rank == units[0].rank {
			n++
		}
		for i, at := range newBalance(units[:n], assigned, benches, setUp, now).solve() {
			for _, j := range units[i].jobs {
				j.Bench = benches[at].Name
				assigned = append(assigned, j)
			}
		}
		units = units[n:]
	}
	return inOrder(assigned[len(waiting):], assigned, benches, p, setUp, ledger, now), stranded
}

// shelved is a unit on the shelf with its jobs.
type shelved struct {
	unit string
	jobs []Job
	rank int
	fits []int // benches
}

// gather puts the jobs of each unit together and finds the benches that can take
// all of them.
func gather(shelf []Job, benches []Bench, p Policy, now time.Time) (units []shelved, stranded []Stranded) {
	byUnit := map[string]*shelved{}
	var order []*shelved
	for _, j := range shelf {
		u := byUnit[j.Unit]
		rank := j.Class.rank() - int(max(0, now.Sub(j.Queued))/p.Age)
		if u == nil {
			u = &shelved{unit: j.Unit, rank: rank}
			byUnit[j.Unit] = u
			order = append(order, u)
		}
		u.jobs, u.rank = append(u.jobs, j), min(u.rank, rank)
	}
	for _, u := range order {
		var reasons []string
		for i := range benches {
			if why := u.barred(&benches[i], p, now); len(why) == 0 {
				u.fits = append(u.fits, i)
			} else if why[0] != "" {
				reasons = append(reasons, strings.Join(why, "; "))
			}
		}
		if len(u.fits) > 0 {
			units = append(units, *u)
			continue
		}
		if reasons == nil {
			reasons = []string{"no bench has a slot with a path from every connector of " + u.unit}
		}
		stranded = append(stranded, Stranded{u.unit, reasons})
	}
	slices.SortStableFunc(units, func(x, y shelved) int { return cmp.Compare(x.rank, y.rank) })
	return units, stranded
}

// barred returns why a bench cannot take the unit; an empty reason where it has no
// place for it.
func (u *shelved) barred(b *Bench, p Policy, now time.Time) []string {
	var why []string
	for i := range u.jobs {
		j := &u.jobs[i]
		if len(j.Fits[b.Name]) == 0 {
			return []string{""}
		}
		anyTime := *b // windows pass, and so does the rest of a bench that flaps
		anyTime.Windows, anyTime.Flaps = nil, 0
		if o := anyTime.Obstacle(j, 0, now, p); o != "" && !slices.Contains(why, o) {
			why = append(why, o)
		}
	}
	return why
}

func newBalance(units []shelved, waiting []Job, benches []Bench, setUp SetUpTime, now time.Time) *balance {
	b := &balance{setUp: setUp}
	family := func(f Family) int {
		i := slices.Index(b.families, f)
		if i < 0 {
			i = len(b.families)
			b.families = append(b.families, f)
		}
		return i
	}
	byName := map[string]int{}
	for i := range benches {
		bench := &benches[i]
		byName[bench.Name] = i
		s := station{from: family(bench.SetUp), slower: bench.slower(), finishes: func(work time.Duration) time.Duration { return bench.passes(now, work) }}
		if r := bench.Running; r != nil {
			s.base = r.Rest.Mean()
		}
		b.stations = append(b.stations, s)
	}
	for _, j := range waiting {
		if i, ok := byName[j.Bench]; ok {
			s := &b.stations[i]
			s.base += j.Takes.Mean()
			if f := family(j.Family); !slices.Contains(s.fixed, f) {
				s.fixed = append(s.fixed, f)
			}
		}
	}
	for _, u := range units {
		l := load{benches: u.fits}
		for _, j := range u.jobs {
			l.work += j.Takes.Mean()
			if f := family(j.Family); !slices.Contains(l.families, f) {
				l.families = append(l.families, f)
			}
		}
		b.loads = append(b.loads, l)
	}
	return b
}

// slower is by how much a bench is to get less.
func (b *Bench) slower() float64 {
	if b.Flaps < Flapping {
		return 1
	}
	return 1 + float64(b.Flaps)/Flapping
}

// passes returns how long work takes on the bench from now on with its windows
// left out.
func (b *Bench) passes(now time.Time, work time.Duration) time.Duration {
	windows := slices.SortedFunc(slices.Values(b.Windows), func(v, w Window) int { return v.From.Compare(w.From) })
	at := now
	for _, w := range windows {
		if !w.Until.After(at) || !at.Add(work).After(w.From) {
			continue
		}
		work -= max(0, w.From.Sub(at))
		at = w.Until
	}
	return at.Add(work).Sub(now)
}

// inOrder works the queue off in thought and lists the units from the shelf in
// the order in which their first job begins, with a free slot where there is one.
func inOrder(mounting, all []Job, benches []Bench, p Policy, setUp SetUpTime, ledger *Ledger, now time.Time) []Place {
	places, ranks := map[string]*Place{}, map[string]int{}
	fits := map[string][]int{}
	for _, j := range mounting {
		if places[j.Unit] == nil {
			places[j.Unit] = &Place{Unit: j.Unit, Bench: j.Bench}
			fits[j.Unit], ranks[j.Unit] = j.Fits[j.Bench], j.Class.rank()
		}
		ranks[j.Unit] = min(ranks[j.Unit], j.Class.rank())
		places[j.Unit].Jobs = append(places[j.Unit].Jobs, j.ID)
	}
	begins := map[string]time.Time{}
	for _, s := range workOff(all, benches, p, setUp, ledger, now).stints {
		if _, begun := begins[s.job.Unit]; !begun {
			begins[s.job.Unit] = s.start
		}
	}
	list := make([]Place, 0, len(places))
	for unit, at := range begins {
		if place := places[unit]; place != nil {
			place.Start = at
			list = append(list, *place)
		}
	}
	slices.SortFunc(list, func(x, y Place) int {
		return cmp.Or(x.Start.Compare(y.Start), cmp.Compare(ranks[x.Unit], ranks[y.Unit]), cmp.Compare(x.Unit, y.Unit))
	})
	free := map[string][]int{}
	for _, b := range benches {
		free[b.Name] = slices.Clone(b.Slots)
	}
	for i := range list {
		place := &list[i]
		for k, slot := range free[place.Bench] {
			if slices.Contains(fits[place.Unit], slot) {
				place.Slot, free[place.Bench] = slot, slices.Delete(free[place.Bench], k, k+1)
				break
			}
		}
	}
	return list
}
