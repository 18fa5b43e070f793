package jobs

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/radiounit"

	"github.com/google/uuid"
)

// lost returns which unit is not confirmed off the air, nil for none.
func (a *aheads) lost() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.astray
}

// found says that the bench was driven to its safe state, which knows about every unit.
func (a *aheads) found() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.astray = nil
}

// follows reports whether a run is to follow on the bench as it stands.
func (a *aheads) follows() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.follow
}

// followed says that the next run was taken.
func (a *aheads) followed() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.follow = false
}

// remove takes the preparation of a run out of the list, nil when there is none: whoever
// has removed it is the one who ends or uses it.
func (a *aheads) remove(run uuid.UUID) *preparation {
	a.mu.Lock()
	defer a.mu.Unlock()
	p := a.all[run]
	delete(a.all, run)
	return p
}

func (a *aheads) runs() []uuid.UUID {
	a.mu.Lock()
	defer a.mu.Unlock()
	var runs []uuid.UUID
	for run := range a.all {
		runs = append(runs, run)
	}
	return runs
}

// has reports whether a run is in the list, and how many are going on or ready.
func (a *aheads) has(run uuid.UUID) (known bool, live int) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for id, p := range a.all {
		known = known || id == run
		select {
		case <-p.done:
			if p.err == nil {
				live++
			}
		default:
			live++
		}
	}
	return known, live
}

// handOver ends a run without the safe state of the whole bench, where another one is
// prepared: the measured unit is off the air by its own answer and by what the analyzer
// sees, and the analyzer is protected. False: the safe state must be driven.
func (t *tenure) handOver(ctx context.Context, s *segment, o outcome) bool {
	if _, live := t.ahead.has(s.run); live == 0 || !o.ends || t.interrupted(ctx) != nil || t.rig.inventory() != t.agent.latestLab() {
		return false
	}
	t.rig.set = nil
	err := act(ctx, t.rig, s.mount.unit.Serial, (*radiounit.RadioUnit).Mute)
	if err == nil {
		err = t.rig.quiet(ctx)
	}
	if err == nil {
		err = act(ctx, t.rig, s.mount.analyzer.Name, (*analyzer.Analyzer).Protect)
	}
	if err != nil {
		t.log.WarnContext(ctx, "the bench is not handed over", "run", s.run, "error", err)
		return false
	}
	t.ahead.mu.Lock()
	t.ahead.follow = true
	t.ahead.mu.Unlock()
	t.log.InfoContext(ctx, "the bench is handed over to a unit that was prepared", "after", s.run)
	return true
}

// heedAhead ends preparations whose runs do not wait any more.
func (t *tenure) heedAhead(ctx context.Context) error {
	runs := t.ahead.runs()
	if len(runs) == 0 {
		return nil
	}
	rows, err := t.agent.Pool.Query(ctx, `SELECT id FROM run WHERE id = ANY($1) AND bench = $2 AND state IN ('queued', 'active')`, runs, t.bench)
	if err != nil {
		return fmt.Errorf("jobs: runs that are prepared on %s: %w", t.bench, err)
	}
	var waiting []uuid.UUID
	for rows.Next() {
		var id uuid.UUID
		if err := rows.Scan(&id); err != nil {
			rows.Close()
			return err
		}
		waiting = append(waiting, id)
	}
	if rows.Err() != nil {
		return rows.Err()
	}
	for _, run := range runs {
		if !slices.Contains(waiting, run) {
			t.endOne(t.ahead.remove(run), errCancelled)
		}
	}
	return nil
}

// endOne ends one preparation and mutes its unit.
func (t *tenure) endOne(p *preparation, cause error) {
	if p == nil {
		return
	}
	p.cancel(cause)
	<-p.done
	t.rig.transcript.divert(p.mount.unit.Serial, nil)
	if p.err == nil {
		p.err = cause
		t.muteAhead(p)
	}
}

// followAhead begins a run with its unit as it was prepared; false when it was not, or
// is not in that state any more, and the bench is brought up from the beginning.
func (t *tenure) followAhead(ctx context.Context, s *segment) (bool, error) {
	p := t.ahead.remove(s.run)
	if p == nil {
		return false, nil
	}
	t.setActivity(ctx, BringUp, s.mount.unit.Serial+": prepared while another unit was measured", &s.run)
	select {
	case <-p.done:
	case <-ctx.Done():
		t.endOne(p, errAllEnd)
		return false, context.Cause(ctx)
	}
	p.cancel(nil)
	t.rig.transcript.divert(s.mount.unit.Serial, nil)
	t.rig.transcript.prepend(p.transcript)
	s.steps = append(s.steps, p.steps...)
	if p.err != nil || !p.air {
		return false, nil
	}
	if err := t.preflight(ctx, s); err != nil {
		return false, benchFailure{fmt.Errorf("preflight: %w", err)}
	}
	if err := t.takeOver(ctx, s, p); err != nil {
		if ctx.Err() != nil {
			return false, context.Cause(ctx)
		}
		t.log.WarnContext(ctx, "the unit is not as it was prepared, and is brought up again", "unit", s.mount.unit.Serial, "error", err)
		return false, nil
	}
	return true, t.quietOthers(s)
}

// takeOver confirms that unit and bench stand as the preparation has left them.
func (t *tenure) takeOver(ctx context.Context, s *segment, p *preparation) error {
	r := t.rig
	b, err := r.bench()
	if err == nil {
		err = r.again(ctx)
	}
	if err != nil {
		return err
	}
	opened, err := r.open(ctx, s.mount.unit.Serial)
	if err == nil {
		err = opened.Session().Ready(ctx)
	}
	if err != nil {
		return err
	}
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, s.mount.unit.Serial)
	if err != nil {
		return err
	}
	if on, err := u.Transmitting(ctx); err != nil || !on {
		return errors.Join(err, errors.New("it does not transmit any more"))
	}
	found, err := r.found(ctx, append(r.instruments(b), s.mount.unit.Serial)...)
	if err == nil {
		err = t.keepFound(ctx, s, found)
	}
	if err != nil {
		return err
	}
	setup, err := s.mount.setup(s.cases[0])
	if err != nil {
		return err
	}
	r.set = &tuning{run: s.run, unit: s.mount.unit.Serial, carriers: setup.Subject.All(), testModel: s.cases[0].TestModel, heated: p.warm}
	return nil
}

// quietOthers ends preparations that would disturb this run, whose limits may be others.
func (t *tenure) quietOthers(s *segment) error {
	for _, run := range t.ahead.runs() {
		t.ahead.mu.Lock()
		p := t.ahead.all[run]
		t.ahead.mu.Unlock()
		if p == nil || !p.toAir {
			continue
		}
		if why := t.isolated(s, p.segment); why != nil {
			t.endOne(t.ahead.remove(run), why)
		}
	}
	if err := t.ahead.lost(); err != nil {
		return benchFailure{err}
	}
	return nil
}
