package jobs

import (
	"context"
	"fmt"
	"time"

	"benchyard/jobs/lab"

	"github.com/google/uuid"
)

// handLimit is how long asking the database for an instrument, or giving one back,
// may take.
const handLimit = 5 * time.Second

// instruments returns the names of what a bench works with. A power meter that benches
// share is left out: only who measures a path needs it, see tenure.gather.
func (r *rig) instruments(b lab.Bench) []string {
	var names []string
	for _, i := range r.inventory().InstrumentsOn(b) {
		if i.Role != lab.PowerMeterRole || !i.Shared {
			names = append(names, i.Name)
		}
	}
	return names
}

// hand sees that an instrument is ours before it is touched. One that is at work
// elsewhere is not waited for.
func (r *rig) hand(ctx context.Context, name string) error {
	if r.lease.holds(name) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, min(handLimit, r.agent.Timings.SafeStep))
	defer cancel()
	return r.lease.obtain(ctx, false, name)
}

// keeps reports whether no other bench can want the instrument.
func (r *rig) keeps(name string) bool {
	i, ok := r.inventory().Instrument(name)
	on := r.inventory().BenchesOf(name)
	return ok && !i.Shared && len(on) == 1 && on[0] == r.lease.bench
}

// lendable returns what is in our hands and another bench may want.
func (r *rig) lendable() []string {
	var names []string
	held, _ := r.lease.holding()
	for _, name := range held {
		if !r.keeps(name) {
			names = append(names, name)
		}
	}
	return names
}

// lend gives back what another bench may want. Nobody may be on the air by now. The
// connections are closed first: an instrument may take one client only.
func (r *rig) lend(ctx context.Context) error {
	lendable := r.lendable()
	r.mu.Lock()
	for _, name := range lendable {
		if l := r.links[name]; l != nil {
			l.close()
			delete(r.links, name)
		}
	}
	r.mu.Unlock()
	if len(lendable) > 0 {
		r.preset = false
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), handLimit)
	defer cancel()
	return r.lease.giveBack(ctx, r.keeps)
}

// collect takes into hand, at the start of a tenure, what earlier holders of the bench
// have left and what is the bench's alone, so that its safe state needs no database.
func (t *tenure) collect(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, handLimit)
	defer cancel()
	err := t.lease.inherit(ctx)
	if b, unknown := t.rig.bench(); unknown == nil {
		for _, name := range t.rig.instruments(b) {
			if away := error(nil); err == nil && t.rig.keeps(name) {
				if away = t.lease.obtain(ctx, false, name); notHere(away) {
					t.log.WarnContext(ctx, "an instrument of the bench is elsewhere", "instrument", name, "cause", away)
				} else {
					err = away
				}
			}
		}
	}
	if err != nil {
		t.log.WarnContext(ctx, "the instruments of the bench are not all in hand", "error", err)
	}
}

// gather sees that all instruments are in our hands, and waits for those that are at
// work elsewhere: in line, with the reason on the board, with nothing on the air, and
// with nothing in hand that others want, so that no two benches wait for each other.
// The time of waiting does not count against Timings.Segment. The error is that of
// ctx, errStopping, or a benchFailure.
func (t *tenure) gather(ctx context.Context, run uuid.UUID, instruments ...string) error {
	t.needs = instruments
	err := t.lease.obtain(ctx, true, instruments...)
	if !notHere(err) {
		return err
	}
	defer t.standStill()()
	defer func() {
		if err := t.lease.withdraw(context.WithoutCancel(ctx)); err != nil {
			t.log.WarnContext(ctx, "the place in the line for instruments", "error", err)
		}
	}()
	if quiet := t.rig.set != nil && !t.rig.set.on; !quiet {
		if unsafe := t.makeSafe("waiting for an instrument"); unsafe != nil {
			return benchFailure{unsafe}
		}
	}
	if err := t.rig.lend(ctx); err != nil {
		return err
	}
	return t.queueFor(ctx, run, err, instruments)
}

// queueFor stands in line for instruments; why is the reason so far.
func (t *tenure) queueFor(ctx context.Context, run uuid.UUID, why error, instruments []string) error {
	var shown *uuid.UUID
	if run != uuid.Nil {
		shown = &run
	}
	poll := time.NewTicker(min(t.agent.Timings.Poll, t.agent.Timings.TTL/3))
	defer poll.Stop()
	told := ""
	for {
		if !notHere(why) {
			if why != nil && ctx.Err() == nil && t.lease.guardWork() == nil { // the database may be away for a moment
				t.log.WarnContext(ctx, "asking for instruments again", "error", why)
			} else {
				return why
			}
		} else if text := fmt.Sprintf("waits for an instrument: %s", why); text != told {
			t.setActivity(ctx, Waiting, text, shown)
			t.log.DebugContext(ctx, "waiting for an instrument", "run", run, "cause", why)
			told = text
		}
		select {
		case <-t.turn:
		case <-poll.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-t.parting:
			if t.ctx.Err() != nil {
				return context.Cause(t.ctx)
			}
			return errStopping
		}
		why = t.lease.obtain(ctx, true, instruments...)
	}
}

// share ends a stretch of work: what other benches may want goes to them, at once when
// the bench is safe, else when somebody waits for it, with everything off the air
// first. A bench that is not confirmed quiet keeps what its units may transmit into.
func (t *tenure) share(ctx context.Context) {
	ctx = context.WithoutCancel(ctx)
	lendable := t.rig.lendable()
	if len(lendable) == 0 {
		return
	}
	if !t.rig.isSafe() {
		if wanted, err := t.lease.wanted(ctx, lendable); err != nil || !wanted {
			return
		}
		if err := t.rig.quieten(ctx, false).Err(); err != nil && t.makeSafe("another bench waits: "+err.Error()) != nil {
			return
		}
	}
	if err := t.rig.lend(ctx); err != nil {
		t.log.WarnContext(ctx, "instruments are not given back yet", "error", err)
	}
}

// shareIdle is share for a bench without work.
func (t *tenure) shareIdle(ctx context.Context) {
	if !t.rig.isSafe() || len(t.rig.lendable()) == 0 {
		return
	}
	if _, end, ok := t.begin(ctx, uuid.Nil); ok {
		t.share(ctx)
		end()
	}
}

// gatherFor is gather for a segment.
func (t *tenure) gatherFor(ctx context.Context, s *segment) error {
	b, err := t.rig.bench()
	if err != nil {
		return benchFailure{err}
	}
	return t.gather(ctx, s.run, t.rig.instruments(b)...)
}
