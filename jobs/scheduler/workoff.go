package scheduler

import (
	"cmp"
	"container/heap"
	"slices"
	"time"
)

// stint is a job at its bench, as the queue is worked off in thought.
type stint struct {
	job   Job
	setUp time.Duration
	start time.Time // of the set-up, when everything takes its median
	by    Criterion // what decided for it
}

// workedOff is what came of working off a queue in thought.
type workedOff struct {
	stints []stint           // by start
	stuck  map[string]string // why a job never begins, by its identity
}

// workOff lets every bench take its jobs by the policy, all taking their median.
// Jobs that no bench ever takes are stuck, with the reason.
func workOff(jobs []Job, benches []Bench, p Policy, setUp SetUpTime, ledger *Ledger, now time.Time) workedOff {
	o := &outlook{queue: NewQueue(p, setUp, ledger.Clone()), done: workedOff{stuck: map[string]string{}}}
	o.queue.Add(jobs...)
	for i := range benches {
		b := benches[i]
		free := now
		if r := b.Running; r != nil {
			free, b.SetUp = now.Add(r.Rest.Median), r.Family
		}
		b.Running = nil
		o.push(&b, free)
	}
	for len(o.benches) > 0 {
		next := heap.Pop(&o.benches).(appointment)
		o.advance(next.bench, next.at)
	}
	o.strand(jobs, benches, now)
	return o.done
}

// outlook is a queue while it is worked off.
type outlook struct {
	queue   *Queue
	benches appointments
	done    workedOff
}

// advance gives a bench that is free its next job, or lets it wait for the next
// moment at which that may have changed.
func (o *outlook) advance(b *Bench, at time.Time) {
	q := o.queue
	taken := q.Candidates(b, at, func(d Decision) bool {
		s := stint{job: d.Job, setUp: d.SetUp, start: at, by: d.By}
		o.done.stints = append(o.done.stints, s)
		b.SetUp = d.Family
		end := at.Add(d.SetUp + d.Takes.Median)
		q.ledger.Charge(d.Requester, end.Sub(at), end)
		o.push(b, end)
		return true
	})
	if taken || !slices.ContainsFunc(q.bench[b.Name], func(l *lane) bool { return len(l.jobs) > 0 }) {
		return
	}
	later := b.calmUntil(q.policy)
	for _, w := range b.Windows {
		if w.Until.After(at) && (!later.After(at) || w.Until.Before(later)) {
			later = w.Until
		}
	}
	if later.After(at) {
		o.push(b, later)
	}
}

// strand says of the jobs that were never taken why.
func (o *outlook) strand(jobs []Job, benches []Bench, now time.Time) {
	left := map[string]bool{}
	for _, lanes := range o.queue.bench {
		for _, l := range lanes {
			for _, j := range l.jobs {
				left[j.ID] = true
			}
		}
	}
	for i := range jobs {
		j := &jobs[i]
		if !left[j.ID] {
			continue
		}
		b := slices.IndexFunc(benches, func(b Bench) bool { return b.Name == j.Bench })
		switch {
		case j.Bench == "":
			o.done.stuck[j.ID] = j.Unit + " is on the shelf: mount it"
		case b < 0:
			o.done.stuck[j.ID] = "bench " + j.Bench + " is not in the inventory"
		default:
			setUp := o.queue.setUp(benches[b].SetUp, j.Family)
			o.done.stuck[j.ID] = cmp.Or(benches[b].Obstacle(j, setUp, now, o.queue.policy), "the calibration of "+j.Bench+", or of its paths, ends before its turn comes")
		}
	}
}

func (o *outlook) push(b *Bench, at time.Time) { heap.Push(&o.benches, appointment{at, b}) }

// appointment is when a bench is looked at next.
type appointment struct {
	at    time.Time
	bench *Bench
}

// appointments is a heap, the earliest first.
type appointments []appointment

func (a appointments) Len() int { return len(a) }
func (a appointments) Less(i, k int) bool {
	return cmp.Or(a[i].at.Compare(a[k].at), cmp.Compare(a[i].bench.Name, a[k].bench.Name)) < 0
}
func (a appointments) Swap(i, k int) { a[i], a[k] = a[k], a[i] }

// Push adds to the end; the heap interface asks for it.
func (a *appointments) Push(x any) { *a = append(*a, x.(appointment)) }

// Pop takes from the end; the heap interface asks for it.
func (a *appointments) Pop() any {
	last := len(*a) - 1
	x := (*a)[last]
	*a = (*a)[:last]
	return x
}
