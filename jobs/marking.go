package jobs

import (
	"fmt"
	"runtime/debug"
)

// markingDepth is how many cases may wait for their arithmetic: their traces are in
// memory, and an error should not be found long after it was made.
const markingDepth = 1

// marking judges the cases of a segment one after the other, in the order in which they
// were swept, while the analyzer is at the next one. Who opens it closes it, which
// waits for its goroutine; until then a case that it took belongs to it.
type marking struct {
	waiting chan *taken
	failing chan struct{} // closed when a case could not be judged
	done    chan struct{}
	at      string // key of that case; written before failing is closed
	err     error
}

// openMarking begins to work with what judges one case.
func openMarking(judge func(*taken) error) *marking {
	d := &marking{waiting: make(chan *taken, markingDepth), failing: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(d.done)
		for k := range d.waiting {
			if err := safely(judge, k); err != nil {
				d.at, d.err = k.Key, err
				close(d.failing)
				return
			}
		}
	}()
	return d
}

// take hands a case over; false when one before it could not be judged.
func (d *marking) take(k *taken) bool {
	select {
	case d.waiting <- k:
		return true
	case <-d.failing:
		return false
	}
}

// close waits until everything that was taken is judged, or one case could not be.
func (d *marking) close() {
	close(d.waiting)
	<-d.done
}

// failure returns what could not be judged and why, after close.
func (d *marking) failure() (key string, err error) { return d.at, d.err }

// safely judges with a panic as an error: nobody else on this goroutine would catch it.
func safely(judge func(*taken) error, k *taken) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("jobs: panic: %v, at %s", p, debug.Stack())
		}
	}()
	return judge(k)
}
