package jobs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
)

// Why work in progress ends before its end.
var (
	errStopping  = errors.New("the agent is stopping")
	errCancelled = errors.New("the run was cancelled")
	errWithdrawn = errors.New("the path task was cancelled")
	errTooLong   = errors.New("the segment took longer than it may")
)

// keeper looks after one bench: it takes the lease, and while it has it, it
// keeps the bench safe and sees that the queue goes on.
type keeper struct {
	agent *Agent
	bench string
	log   *slog.Logger
	wake  chan struct{}
	// answered wakes work that waits for a person.
	answered chan struct{}
	// turn wakes work that waits for an instrument.
	turn chan struct{}

	mu     sync.Mutex
	tenure *tenure // nil while the lease is not ours
	giveUp sync.Once
	gone   chan struct{} // closed when the bench is given up for good, see surrender
}

// tenure is the time between taking the lease and losing it.
type tenure struct {
	*keeper
	lease *lease
	rig   *rig
	// ctx ends, with the reason as its cause, when work must not go on.
	ctx context.Context
	end context.CancelCauseFunc
	// parting is closed when no new segment begins: nobody is waited for any more.
	parting chan struct{}
	// abandoned: the holder before vanished. A process that was stopped may send one
	// more message when it goes on, see lease.check.
	abandoned bool
	needs     []string // instruments of the work in progress, see gather

	ahead aheads // what is prepared beside the work in progress

	mu       sync.Mutex
	leaving  bool          // no new segment begins
	work     *work         // in progress, nil: none
	idle     chan struct{} // closed while no work is in progress
	idleFrom time.Time
	swept    bool      // tickets were looked after once
	tried    time.Time // last attempt to reach the safe state
	alarm    error     // why it was not confirmed; no segment begins
	told     bool      // the tables know of alarm
	activity Activity  // as last written
	// lookedAhead is when urgent runs were last looked for.
	lookedAhead time.Time
}

// work is one ticket in progress.
type work struct {
	run    uuid.UUID // uuid.Nil: for none
	path   uuid.UUID // task about a signal path; uuid.Nil: none
	cancel context.CancelCauseFunc
	limit  *stopwatch
}

// stuckAfter is how long after its end work may take to make the bench safe and
// to store what is known. Work that takes longer does not heed its end.
const stuckAfter = 70 * time.Second

func newKeeper(a *Agent, bench string) *keeper {
	return &keeper{agent: a, bench: bench, log: a.log.With("bench", bench), wake: make(chan struct{}, 1), answered: make(chan struct{}, 1), turn: make(chan struct{}, 1), gone: make(chan struct{})}
}

// run tries to take the lease until ctx ends, and serves the bench whenever it has it.
func (k *keeper) run(ctx context.Context) {
	t := k.agent.Timings
	for ctx.Err() == nil && !k.surrendered() {
		l, abandoned, err := acquire(ctx, k.agent.Pool, k.bench, k.agent.Name, t, time.Now)
		switch {
		case err != nil && ctx.Err() == nil:
			k.log.WarnContext(ctx, "the lease cannot be taken", "error", err)
		case l != nil:
			l.figures = k.agent.Figures
			l.figures.LeaseTaken(k.bench, abandoned)
			k.serve(ctx, l, abandoned)
		}
		if ctx.Err() == nil {
			pause(ctx, k.wake, min(t.Poll, t.TTL/3))
		}
	}
}

// serve holds the bench until the lease is lost or ctx ends.
func (k *keeper) serve(ctx context.Context, l *lease, abandoned bool) {
	t := &tenure{keeper: k, lease: l, abandoned: abandoned, idle: make(chan struct{}), parting: make(chan struct{})}
	close(t.idle)
	t.ctx, t.end = context.WithCancelCause(k.agent.hard)
	renewing, stopRenewing := context.WithCancel(context.WithoutCancel(ctx))
	var renewals sync.WaitGroup
	renewals.Go(func() { t.keepLease(renewing) })
	defer renewals.Wait()
	defer stopRenewing()
	k.log.InfoContext(ctx, "lease taken", "token", l.token, "abandoned", abandoned)
	k.warnOfFlapping(ctx)

	if abandoned { // its last holder may still be inside its own deadline
		pause(ctx, t.ctx.Done(), k.agent.Timings.Grace)
		if ctx.Err() != nil || t.ctx.Err() != nil {
			// The bench was not touched. The lease runs out instead of being given
			// back, so that the next holder waits as well.
			l.giveUp()
			return
		}
	}
	t.rig = newRig(k.agent, l)
	var err error
	if t.rig.slots, err = slotUnits(ctx, k.agent.Pool, k.bench); err != nil {
		// Who does not know what stands on the bench cannot make it safe.
		k.log.WarnContext(ctx, "the bench is left alone", "error", err)
		l.giveUp()
		return
	}
	t.collect(t.ctx)
	if ctx.Err() == nil && t.ctx.Err() == nil {
		t.setActivity(t.ctx, TakingOver, "driving the bench to its safe state", nil)
		t.makeSafe("takeover")
		if abandoned {
			t.distrustAtTakeover(t.ctx)
		}
		t.open(ctx)
	}
	t.leave(ctx)
}

// open puts the bench at work until the lease is lost or ctx ends.
func (t *tenure) open(ctx context.Context) {
	t.setTenure(t) // before the first ticket can come
	// A ticket issued before River listens is found by polling, so that is short.
	queue := river.QueueConfig{MaxWorkers: 1, FetchPollInterval: t.agent.ticketPoll()}
	if err := t.agent.river.Queues().Add(queueOf(t.bench), queue); err != nil {
		t.log.ErrorContext(ctx, "the queue of the bench cannot be opened", "error", err)
		return
	}
	for ctx.Err() == nil && t.ctx.Err() == nil {
		if err := t.tick(t.ctx); err != nil && t.ctx.Err() == nil {
			t.log.WarnContext(ctx, "looking for work", "error", err)
		}
		woken, cancel := context.WithCancel(ctx)
		release := context.AfterFunc(t.ctx, cancel)
		pause(woken, t.wake, t.agent.Timings.Poll)
		release()
		cancel()
	}
}

// leave ends the tenure: work is drained or interrupted, the bench made safe,
// the lease given back.
func (t *tenure) leave(ctx context.Context) {
	t.mu.Lock()
	t.leaving = true
	idle := t.idle
	t.mu.Unlock()
	close(t.parting)
	t.endAhead(errStopping) // at once: only the case in work is waited for
	timer := time.AfterFunc(t.agent.Timings.SoftStop, func() { t.end(errStopping) })
	defer timer.Stop()
	t.tellDraining(idle)
	select {
	case <-idle:
	case <-t.gone: // whoever works there cannot be waited for
		return
	}
	lost := errors.Is(context.Cause(t.ctx), errFenced)
	t.setTenure(nil)
	// First of all: what follows asks the database, which may be what was lost.
	t.makeSafe("the agent leaves the bench")
	t.rig.close()

	final, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if t.rig.isSafe() && !lost {
		if err := t.lease.giveBack(final, func(string) bool { return false }); err != nil {
			t.log.WarnContext(final, "the next holder of the bench gives its instruments back", "error", err)
		}
	}
	if err := t.agent.river.Queues().Remove(final, queueOf(t.bench)); err != nil && !isNotFound(err) {
		t.log.WarnContext(final, "the queue of the bench cannot be closed", "error", err)
	}
	t.end(errStopping)
	if lost {
		t.log.WarnContext(final, "lease lost", "token", t.lease.token)
		return
	}
	t.setActivity(final, Offline, "", nil)
	if err := t.lease.release(final); err != nil {
		t.log.WarnContext(final, "the lease runs out by itself", "error", err)
	}
}

// tellDraining says on the board that the agent waits for the end of work.
func (t *tenure) tellDraining(idle <-chan struct{}) {
	select {
	case <-idle:
		return
	default:
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.ctx), t.agent.Timings.SafeStep)
	defer cancel()
	t.log.InfoContext(ctx, "draining: the case in work may end", "within", t.agent.Timings.SoftStop)
	if err := t.lease.drain(ctx); err != nil && t.ctx.Err() == nil {
		t.log.WarnContext(ctx, "the board does not say that the bench drains", "error", err)
	}
}

// keepLease renews the lease until ctx ends. When renewal fails for so long
// that work must stop, it ends the tenure.
func (t *tenure) keepLease(ctx context.Context) {
	every := t.agent.Timings.Renew
	next := every
	for {
		pause(ctx, nil, min(next, max(0, time.Until(t.lease.workUntil()))))
		if ctx.Err() != nil {
			return
		}
		if t.lease.guardWork() != nil {
			t.end(errFenced)
			return
		}
		sending, cancel := context.WithDeadline(ctx, t.lease.workUntil())
		err := t.lease.renew(sending)
		cancel()
		switch {
		case ctx.Err() != nil:
			return
		case errors.Is(err, errFenced):
			t.end(errFenced)
			return
		case err != nil:
			t.log.WarnContext(ctx, "the lease was not renewed, trying again", "error", err)
			next = every / 10
		default:
			next = every
		}
	}
}

// surrender gives the bench up for good without touching it: whoever drives it
// in this process cannot be stopped, only fenced.
func (k *keeper) surrender(cause error) {
	t := k.held()
	k.giveUp.Do(func() {
		if t != nil {
			t.raiseAlarm(cause)
			t.lease.giveUp()
			t.end(errFenced)
		}
		close(k.gone)
	})
}

func (k *keeper) surrendered() bool {
	select {
	case <-k.gone:
		return true
	default:
		return false
	}
}

// held returns the tenure in progress, nil for none.
func (k *keeper) held() *tenure {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.tenure
}

func (k *keeper) setTenure(t *tenure) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.tenure = t
}

// begin makes the tenure busy with a run, unless it takes no more work. The
// context it returns ends with the tenure, with the ticket, when the run is
// cancelled and when the segment takes too long, waits for persons not counted.
// Work that goes on long after that gives the bench up.
func (t *tenure) begin(ctx context.Context, run uuid.UUID) (context.Context, func(), bool) {
	return t.occupy(ctx, work{run: run}, t.agent.Timings.Segment)
}

// occupy is begin for any work that may take so long. A bench in alarm takes only
// work that is for nothing but its safety.
func (t *tenure) occupy(ctx context.Context, w work, most time.Duration) (context.Context, func(), bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.leaving || t.work != nil || t.ctx.Err() != nil || t.alarm != nil && (w.run != uuid.Nil || w.path != uuid.Nil) {
		return nil, nil, false
	}
	ctx, cancel := context.WithCancelCause(ctx)
	limit := newStopwatch(most, func() { cancel(errTooLong) })
	release := context.AfterFunc(t.ctx, func() { cancel(context.Cause(t.ctx)) })
	heed := t.watchEnd(ctx, stuckAfter)
	w.cancel, w.limit = cancel, limit
	t.work = &w
	if w.run != uuid.Nil && t.ahead.lost() != nil {
		cancel(errAstray)
	}
	t.needs = nil
	idle := make(chan struct{})
	t.idle = idle
	return ctx, func() {
		release()
		heed()
		limit.stop()
		cancel(nil)
		t.mu.Lock()
		t.work, t.idleFrom = nil, time.Now()
		t.mu.Unlock()
		close(idle)
		poke(t.wake)
	}, true
}

// watchEnd gives the bench up when work goes on for so long after the end of ctx.
// The function it returns says that the work has ended.
func (t *tenure) watchEnd(ctx context.Context, allowed time.Duration) (ended func()) {
	done := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		late := time.NewTimer(allowed)
		defer late.Stop()
		select {
		case <-done:
		case <-late.C:
			t.agent.stuck(t.keeper, fmt.Errorf("jobs: work on %s did not end; exit this process", t.bench))
		}
	})
	return func() {
		stop()
		close(done)
	}
}

// interrupted reports, between two cases, whether work should end here.
func (t *tenure) interrupted(ctx context.Context) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.leaving {
		return errStopping
	}
	return nil
}

func isNotFound(err error) bool {
	var missing *river.QueueNotFoundError
	return errors.As(err, &missing)
}
