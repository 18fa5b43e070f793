package scheduler

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
)

// A bench with more work than it can do gets an urgent job now and then. Asked every
// minute, it begins each within one safe boundary of the run in work and that minute,
// unless another urgent one is on it; what gave way is finished later.
func TestUrgentNeverWaitsBeyondOneSafeBoundary(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	b := Bench{Name: "b"}
	q := NewQueue(Policy{}, noSetUp, NewLedger(Policy{}))
	var left, boundary time.Duration // of the run in work; until its next boundary
	ended, paused, urgent := map[string]bool{}, 0, 0
	begins := map[string]time.Duration{} // how long urgent jobs waited for one that was not
	for minute := range 3 * 24 * 60 {
		now := morning.Add(time.Duration(minute) * time.Minute)
		if minute%60 == 0 && minute < 48*60 {
			q.Add(waiting(fmt.Sprintf("n%05d", minute), func(j *Job) { j.Queued, j.Class = now, Classes()[1+random.IntN(3)] }))
		}
		if minute%180 == 0 && minute < 48*60 {
			urgent++
			q.Add(waiting(fmt.Sprintf("u%05d", minute+random.IntN(60)), func(j *Job) { j.Queued, j.Class, j.Takes.Median = now, Urgent, 10*time.Minute }))
		}
		if r := b.Running; r != nil {
			left, boundary = left-time.Minute, boundary-time.Minute
			r.Rest.Median = left
			if _, found := q.Preempts(&b, now); found {
				r.Pausing = true
			}
			switch {
			case left <= 0:
				ended[r.ID], b.Running = true, nil
			case boundary <= 0 && r.Pausing:
				paused++
				rest := r.Job
				rest.Segments = max(1, int(left/(10*time.Minute)))
				rest.Takes.Median = left
				q.Add(rest)
				b.Running = nil
			case boundary <= 0:
				boundary = r.boundary()
			}
		}
		if b.Running == nil {
			q.Candidates(&b, now, func(d Decision) bool {
				b.Running = &Running{Job: d.Job, Rest: d.Takes}
				left, boundary = d.Takes.Median, d.boundary()
				if d.Class == Urgent {
					begins[d.ID] = now.Sub(d.Queued)
				}
				return true
			})
		}
	}
	if len(ended) != 48+urgent || len(begins) != urgent || paused < urgent/2 {
		t.Fatalf("%d of %d jobs ended, %d of %d urgent ones, %d gave way", len(ended), 48+urgent, len(begins), urgent, paused)
	}
	for id, waited := range begins {
		if waited > 11*time.Minute { // an hour in six segments
			t.Errorf("%s waited %s", id, waited)
		}
	}
}
