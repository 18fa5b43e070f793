// Package scheduler decides what a bench measures next, which units a person
// should mount next, and when what waits will be done.
//
// The concept on one screen:
//
//	Job        one unit to be measured: class, requester, deadline, set-up family,
//	           what it needs of a bench, how long it takes (an Estimate)
//	Bench      what it can, until when it is calibrated, its windows, what it works on
//	Queue      jobs in lanes of alike ones; Candidates: what a bench takes next, best
//	           first; Preempts: for whom a run in work gives way
//	Ledger     who used how much bench time recently
//	Mount      units on the shelf -> bench and slot, in the order of mounting
//	Outlooks   the queue worked off in thought, many times: start and end of each job
//	Learn      what was measured -> Estimate; LearntSetUps: what set-ups took
//
// It is arithmetic on values: it has no clock, reads no database and decides the
// same for the same input.
//
// # The policy
//
// Each criterion decides only what those before it left open:
//
//  1. The class, strictly. A job rises by one class for each Policy.Age that it
//     waits, without end, so that nothing starves: whatever is submitted later than
//     a few ages after it goes behind it.
//  2. A deadline that is about to be missed, the earliest first. One that cannot be
//     met any more displaces none that can.
//  3. The requester who used least, recent use counting most. Within one
//     Policy.Quantum of use all are equal, so that batches can form.
//  4. The set-up that is there already, then the way through the waiting families
//     that costs the least set-up time. Nothing is overtaken so by what was queued
//     more than Policy.Batch later.
//  5. The order in which the jobs were queued.
//
// Jobs are released one at a time, when a bench is free: whatever comes in
// meanwhile still counts.
package scheduler

import "time"

// Policy are the figures of the policy; the zero value of each means its
// default. The defaults are common practice, without a source.
type Policy struct {
	Age      time.Duration // of waiting that is worth one class; 24 h
	HalfLife time.Duration // of recent use; 24 h
	Quantum  time.Duration // of use within which requesters are equal; 2 h
	Batch    time.Duration // what was queued within it may go in the order of set-ups; 4 h
	Calm     time.Duration // rest of a bench that flaps, doubled with each take-over more; 1 min
}

// Flapping is how many times within an hour the lease of a bench may be taken
// over from a holder that was lost, before the bench counts as flapping.
const Flapping = 3

// longestCalm bounds the rest of a bench that flaps.
const longestCalm = 30 * time.Minute

func (p Policy) withDefaults() Policy {
	fill := func(d *time.Duration, value time.Duration) {
		if *d <= 0 {
			*d = value
		}
	}
	fill(&p.Age, 24*time.Hour)
	fill(&p.HalfLife, 24*time.Hour)
	fill(&p.Quantum, 2*time.Hour)
	fill(&p.Batch, 4*time.Hour)
	fill(&p.Calm, time.Minute)
	return p
}
