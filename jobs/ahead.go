package jobs

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/scpi"
	"benchyard/jobs/bringup"
	"benchyard/jobs/conformance"
	"benchyard/jobs/scheduler"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// errAllEnd ends preparations where the safe state of the bench follows at once: it
// mutes every unit itself.
var errAllEnd = errors.New("the bench goes to its safe state")

// errAstray ends work because a unit that was prepared beside it is not confirmed off.
var errAstray = errors.New("a unit that was being prepared is not confirmed off the air")

// preparation is that of a run that waits, while another one is measured. Its
// goroutine belongs to the tenure and speaks to nothing but the unit, apart from two
// questions right before the unit transmits. What it has found out is read after done.
type preparation struct {
	*segment
	cancel     context.CancelCauseFunc
	done       chan struct{}
	transcript *transcript

	toAir bool // it is to transmit before its turn

	err  error
	air  bool // the unit transmits into its terminations with the carriers of its first case
	warm bool // and its temperature holds still
}

// aheads are the preparations of a tenure.
type aheads struct {
	mu     sync.Mutex
	all    map[uuid.UUID]*preparation
	astray error // a unit was not confirmed off
	follow bool  // a run has ended with its unit muted, and a prepared one is to follow
}

// prepareNext sees that the next runs of the bench are prepared while this one is
// measured. What goes wrong here is no reason to stop measuring.
func (t *tenure) prepareNext(ctx context.Context, s *segment) {
	if err := t.tryPrepareNext(ctx, s); err != nil && ctx.Err() == nil {
		t.log.WarnContext(ctx, "preparing the next runs", "error", err)
	}
}

func (t *tenure) tryPrepareNext(ctx context.Context, s *segment) error {
	b, err := t.rig.bench()
	units := t.rig.units(t.bench)
	if err != nil || b.ByHand() || anyByHand(units) || len(units) < 2 || len(t.rig.lendable()) > 0 || t.rig.inventory() != t.agent.latestLab() {
		return err
	}
	row, err := t.look(ctx)
	if err != nil || row.hold != "" || row.alarm != "" {
		return err
	}
	c, err := t.choice(ctx)
	if err != nil {
		return err
	}
	busy := map[string]bool{s.mount.unit.Serial: true}
	c.queue.Candidates(&c.bench, c.now, func(d scheduler.Decision) bool {
		r := c.runs[d.ID]
		if r.Bench == "" || busy[r.Serial] { // one run of a unit after the other
			return false
		}
		var why string
		if why, err = t.obstacle(ctx, r); err == nil && why == "" {
			busy[r.Serial] = true
			err = t.prepareRun(ctx, r.ID, s)
		}
		return err != nil || len(busy) > mostAhead
	})
	return err
}

// mostAhead is how many units are prepared while one is measured.
const mostAhead = 2

// prepareRun begins to prepare a run unless that goes on already.
func (t *tenure) prepareRun(ctx context.Context, run uuid.UUID, measured *segment) error {
	if known, live := t.ahead.has(run); known || live >= mostAhead {
		return nil
	}
	p := &preparation{segment: &segment{run: run}, done: make(chan struct{}), transcript: &transcript{start: time.Now()}}
	var row claimed
	err := pgx.BeginFunc(ctx, t.agent.Pool, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `SELECT min(number) FROM run_segment WHERE run_id = $1 AND state = 'pending'`, run).Scan(&p.number)
		if err == nil {
			_, err = row.load(ctx, tx, ticket{Run: run, Segment: p.number}, t.bench)
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("jobs: preparing run %s: %w", run, err)
	}
	p.campaign, p.build, p.total = row.Campaign, row.Build, row.Cases
	if err := t.expand(ctx, p.segment, row); err != nil {
		return fmt.Errorf("jobs: preparing run %s: %w", run, err)
	}
	quiet := t.isolated(measured, p.segment)
	p.toAir = quiet == nil
	own, cancel := context.WithCancelCause(t.ctx)
	p.cancel = cancel
	t.ahead.mu.Lock()
	defer t.ahead.mu.Unlock()
	if t.ahead.all == nil {
		t.ahead.all = map[uuid.UUID]*preparation{}
	}
	t.ahead.all[p.run] = p
	t.rig.transcript.divert(p.mount.unit.Serial, p.transcript)
	go t.prepareAhead(own, p, quiet)
	return nil
}

// prepareAhead is the goroutine of a preparation. It ends with a unit that waits, warm
// or muted, or with one that is muted because something went wrong.
func (t *tenure) prepareAhead(ctx context.Context, p *preparation, quiet error) {
	defer close(p.done)
	defer func() {
		if r := recover(); r != nil {
			p.err = fmt.Errorf("jobs: panic: %v", r)
		}
		if p.err != nil && !errors.Is(context.Cause(ctx), errAllEnd) {
			t.muteAhead(p)
		}
	}()
	serial := p.mount.unit.Serial
	t.tellAhead(ctx, p, serial+" is being prepared while another unit is measured")
	t.log.InfoContext(ctx, "preparing a unit ahead", "run", p.run, "unit", serial)
	if p.err = t.loadAhead(ctx, p); p.err != nil {
		return
	}
	if quiet != nil {
		t.tellAhead(ctx, p, serial+" is prepared, and waits muted: "+quiet.Error())
		return
	}
	p.err = t.airAhead(ctx, p)
}

// tellAhead shows with the run that waits how far it is.
func (t *tenure) tellAhead(ctx context.Context, p *preparation, text string) {
	if err := setBlocked(ctx, t.agent.Pool, p.run, text); err != nil && ctx.Err() == nil {
		t.log.WarnContext(ctx, "how far a preparation is", "run", p.run, "error", err)
	}
}

// walkAhead takes steps of a preparation.
func (t *tenure) walkAhead(ctx context.Context, p *preparation, has func(radiounit.Capability) bool, steps ...bringup.Step) error {
	records, err := bringup.Run(ctx, steps, has, func(step bringup.Step) {
		t.log.DebugContext(ctx, "step of a preparation", "step", "ahead: "+step.Name, "unit", p.mount.unit.Serial)
	})
	p.steps = append(p.steps, records...)
	return err
}

// loadAhead brings the unit to the build of the run, muted.
func (t *tenure) loadAhead(ctx context.Context, p *preparation) error {
	r, serial := t.rig, p.mount.unit.Serial
	return t.walkAhead(ctx, p, func(radiounit.Capability) bool { return true }, bringup.Step{
		Name: "unit and build", Timeout: t.agent.Timings.Segment,
		Do: func(ctx context.Context) (string, error) {
			if err := r.afresh(ctx, serial); err != nil {
				return "", err
			}
			if err := act(ctx, r, serial, (*radiounit.RadioUnit).Mute); err != nil {
				return "", err
			}
			if err := r.loadUnit(ctx, p.segment); err != nil {
				return "", err
			}
			return "", act(ctx, r, serial, (*radiounit.RadioUnit).Mute) // how a build starts is up to the build
		},
	})
}

// airAhead brings the unit on the air into its terminations, and warms it up.
func (t *tenure) airAhead(ctx context.Context, p *preparation) error {
	r, c := t.rig, p.cases[0]
	if conformance.IsHealth(c.Clause) { // what its stages want is set when they come
		return nil
	}
	setup, err := p.mount.setup(c)
	if err != nil {
		return err
	}
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, p.mount.unit.Serial)
	if err != nil {
		return err
	}
	task := bringup.Task{Unit: u, Carriers: toldCarriers(c, setup), Bench: r.surroundings(p.mount, c, setup)}
	task.Bench.Clear = func(ctx context.Context) error { return t.clearAhead(ctx, p) }
	steps := task.Ahead()
	if w := p.plan.WarmUp; w.Limit > 0 {
		steps = append(steps, t.warmAhead(p, u))
	}
	if err := t.walkAhead(ctx, p, u.Has, steps...); err != nil {
		return err
	}
	p.air, p.warm = true, true
	t.tellAhead(ctx, p, p.mount.unit.Serial+" is prepared and waits for the analyzer, on the air into its terminations")
	return nil
}

// warmAhead waits as the plan says until the temperature of the unit holds still. That
// its power does is seen when its turn comes.
func (t *tenure) warmAhead(p *preparation, u *radiounit.RadioUnit) bringup.Step {
	w := p.plan.WarmUp
	return bringup.Step{Name: "warm-up", Timeout: w.Limit + time.Minute, Waits: true, Do: func(ctx context.Context) (string, error) {
		began, d := time.Now(), &drift{}
		pause(ctx, nil, w.Minimum)
		for ctx.Err() == nil && u.Has(radiounit.Thermometer) && time.Since(began) < w.Limit {
			c, err := u.Temperature(ctx)
			if err != nil {
				return "", err
			}
			d.warm, d.at = append(d.warm, c), append(d.at, time.Since(began))
			if d.level(w) {
				return d.String(), nil
			}
			pause(ctx, nil, w.Interval)
		}
		switch {
		case ctx.Err() != nil:
			return "", context.Cause(ctx)
		case u.Has(radiounit.Thermometer):
			return "", fmt.Errorf("%s is not warm after %s: %s", p.mount.unit.Serial, w.Limit, d)
		}
		return "", nil
	}}
}

// muteAhead takes the unit of a preparation that has ended off the air. If that is not
// confirmed the whole bench goes to its safe state.
func (t *tenure) muteAhead(p *preparation) {
	ctx, cancel := context.WithTimeout(scpi.WithGuard(context.WithoutCancel(t.ctx), t.rig.lease.guarded(t.rig.lease.guardSafe)), t.agent.Timings.SafeStep)
	defer cancel()
	err := act(ctx, t.rig, p.mount.unit.Serial, (*radiounit.RadioUnit).Mute)
	t.log.WarnContext(ctx, "a preparation has ended", "run", p.run, "unit", p.mount.unit.Serial, "cause", p.err, "muted", err == nil)
	if err == nil {
		if cause := context.Cause(t.ctx); cause == nil {
			t.tellAhead(ctx, p, fmt.Sprintf("%s was not prepared ahead, and is brought up when its turn comes: %v", p.mount.unit.Serial, p.err))
		}
		return
	}
	t.ahead.mu.Lock()
	t.ahead.astray = fmt.Errorf("%w: %s: %w", errAstray, p.mount.unit.Serial, err)
	t.ahead.mu.Unlock()
	t.mu.Lock()
	if t.work != nil {
		t.work.cancel(errAstray)
	}
	t.mu.Unlock()
	poke(t.wake)
}

// endAhead ends every preparation and waits until none drives its unit any more.
func (t *tenure) endAhead(cause error) {
	t.ahead.mu.Lock()
	all := t.ahead.all
	t.ahead.all, t.ahead.follow = nil, false
	t.ahead.mu.Unlock()
	for _, p := range all {
		p.cancel(cause)
	}
	for _, p := range all {
		<-p.done
		t.rig.transcript.divert(p.mount.unit.Serial, nil)
		if p.err == nil && !errors.Is(cause, errAllEnd) {
			p.err = cause
			t.muteAhead(p)
		}
	}
}
