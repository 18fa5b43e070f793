package jobs

import (
	"context"
	"sync"
	"time"
)

// quieten takes everything off the air and confirms it, as the safe state does,
// but leaves DC on unless it must go: units stay warm, and what they were told
// stays in them. The switches are terminated.
func (r *rig) quieten(ctx context.Context, withoutDC bool) SafetyReport {
	parts := r.parts()
	parts.cutSupply = withoutDC
	if r.set != nil {
		r.set.on = false
	}
	report := parts.drive(ctx, r.agent.Timings.SafeStep)
	if withoutDC || report.Err() != nil {
		r.set = nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if report.Err() != nil {
		r.safe, r.cut = false, r.cut || report.Cut
	}
	return report
}

// stopwatch limits how long work may take. It can be halted while the work
// waits for a person.
type stopwatch struct {
	mu    sync.Mutex
	timer *time.Timer
	since time.Time
	left  time.Duration
}

// newStopwatch calls end once d has passed, halts not counted.
func newStopwatch(d time.Duration, end func()) *stopwatch {
	return &stopwatch{timer: time.AfterFunc(d, end), since: time.Now(), left: d}
}

// halt stops the watch until the function it returns is called.
func (w *stopwatch) halt() (resume func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.timer.Stop() {
		return func() {} // it has run out
	}
	w.left -= time.Since(w.since)
	return func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.since = time.Now()
		w.timer.Reset(max(w.left, 0))
	}
}

// stop ends the watch.
func (w *stopwatch) stop() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.timer.Stop()
}

// standStill halts the limit of the work in progress until the function it
// returns is called.
func (t *tenure) standStill() (goOn func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.work == nil {
		return func() {}
	}
	return t.work.limit.halt()
}
