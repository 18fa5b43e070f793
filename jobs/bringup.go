package jobs

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/scpi"
	"benchyard/instruments/supply"
	"benchyard/jobs/bringup"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// supplyTolerance is how far the voltage at the output may be off, relative.
const supplyTolerance = 0.05

// tuning is how the bench stands: which run it was brought up for, and what the
// unit transmits into which path.
type tuning struct {
	run       uuid.UUID
	unit      string
	carriers  []conformance.Carrier
	testModel string
	connector int
	on        bool // transmitting and verified at the analyzer
	warm      bool
	heated    bool // its temperature held still when it was prepared ahead
}

// bringUp takes a bench from safe state to the point where a carrier may be
// tuned: safe first, then DC within its limits, then the unit as the run wants
// it, then the analyzer. Segments of the same run find it done. Every error is
// a failure of the bench: nothing is known about the unit yet.
func (t *tenure) bringUp(ctx context.Context, s *segment) error {
	if t.rig.set != nil && t.rig.set.run == s.run {
		if err := t.cable(ctx, s); err != nil {
			return err
		}
		if t.rig.set != nil {
			return t.rig.again(ctx)
		}
	}
	if followed, err := t.followAhead(ctx, s); followed || err != nil {
		return err
	}
	t.setActivity(ctx, BringUp, fmt.Sprintf("%s: preparing for build %s", s.mount.unit.Serial, s.build), &s.run)
	if err := t.preflight(ctx, s); err != nil {
		return benchFailure{fmt.Errorf("preflight: %w", err)}
	}
	t.rig.unsafe()
	if err := t.makeSafe("start of run"); err != nil {
		return benchFailure{err}
	}
	if err := t.hands(ctx, s); err != nil {
		return err
	}
	t.rig.fix()
	t.rig.unsafe()
	found, err := t.prepare(ctx, s)
	if err != nil {
		return benchFailure{fmt.Errorf("bring-up: %w", err)}
	}
	if err := t.keepFound(ctx, s, found); err != nil {
		return err
	}
	warm := false
	if s.plan.WarmUp.Limit > 0 {
		if warm, err = t.stillWarm(ctx, s); err != nil {
			return benchFailure{fmt.Errorf("bring-up: %w", err)}
		}
	}
	if warm {
		t.log.InfoContext(ctx, "the unit has stayed up and warm", "run", s.run, "unit", s.mount.unit.Serial)
	}
	t.rig.set = &tuning{run: s.run, unit: s.mount.unit.Serial, warm: warm}
	return nil
}

// keepFound stores with the run what it is measured with.
func (t *tenure) keepFound(ctx context.Context, s *segment, found map[string]instrumentRecord) error {
	return t.fencedRun(ctx, s.run, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE run SET instruments = $2 WHERE id = $1`, s.run, found)
		return err
	})
}

// preflight is everything that can be checked before anything is switched on:
// calibrations, and for every case left in the run the attenuation budget, the
// coverage of its path, and a gate for TDD in the dialect that is spoken now.
func (t *tenure) preflight(ctx context.Context, s *segment) error {
	now := lab.DateOf(t.agent.Clock())
	if err := calibrated(t.agent.latestLab(), t.bench, now); err != nil {
		return err
	}
	if err := pathsValid(s.mount.lab, t.agent.latestLab(), s.mount.unit, now); err != nil {
		return err
	}
	cases := s.cases
	for _, rest := range s.rest {
		cases = append(cases[:len(cases):len(cases)], rest.Cases...)
	}
	if problems := s.mount.check(cases, t.agent.latestLab()); len(problems) > 0 {
		return errors.New(strings.Join(problems, "; "))
	}
	return ctx.Err()
}

// instrumentRecord is what a run keeps of an instrument.
type instrumentRecord struct {
	Identity       string `json:"identity"`
	Resource       string `json:"resource"`
	Certificate    string `json:"certificate,omitempty"`
	CalibrationDue string `json:"calibration_due,omitempty"`
}

// prepare switches the bench on, checks that everything is what the inventory
// says, and returns what was found. Its steps are recorded with the segment.
func (t *tenure) prepare(ctx context.Context, s *segment) (map[string]instrumentRecord, error) {
	r := t.rig
	b, err := r.bench()
	if err != nil {
		return nil, err
	}
	var steps []bringup.Step
	for _, step := range []struct {
		name string
		do   func(context.Context) error
	}{
		{"instruments answer", func(ctx context.Context) error { return r.afresh(ctx, r.instruments(b)...) }},
		{"DC on", func(ctx context.Context) error { return r.energize(ctx, b) }},
		{"unit and build", func(ctx context.Context) error {
			if err := r.afresh(ctx, s.mount.unit.Serial); err != nil {
				return err
			}
			return r.loadUnit(ctx, s)
		}},
		{"analyzer preset", func(ctx context.Context) error { return r.presetAnalyzer(ctx, b) }},
	} {
		steps = append(steps, bringup.Step{Name: step.name, Timeout: t.agent.Timings.Segment, Do: func(ctx context.Context) (string, error) { return "", step.do(ctx) }})
	}
	records, err := bringup.Run(ctx, steps, func(radiounit.Capability) bool { return true }, func(bringup.Step) {})
	s.steps = append(s.steps, records...)
	if err != nil {
		return nil, err
	}
	return r.found(ctx, append(r.instruments(b), s.mount.unit.Serial)...)
}

// energize switches DC on; units that had none until then are muted first of all.
func (r *rig) energize(ctx context.Context, b lab.Bench) error {
	started, err := r.power(ctx, b)
	if err == nil && started {
		err = r.muteAll(ctx, b.Name)
	}
	return err
}

// presetAnalyzer gives the analyzer the state that all sweeps begin from.
func (r *rig) presetAnalyzer(ctx context.Context, b lab.Bench) error {
	a, err := instrumentOf[*analyzer.Analyzer](ctx, r, b.Analyzer)
	if err != nil {
		return err
	}
	r.preset = false
	if err := a.Prepare(ctx); err != nil {
		return fmt.Errorf("%s: %w", b.Analyzer, err)
	}
	r.preset = true
	return nil
}

// again sets an analyzer up that has worked for another bench in between.
func (r *rig) again(ctx context.Context) error {
	if r.preset {
		return nil
	}
	b, err := r.bench()
	if err != nil {
		return err
	}
	if err := r.afresh(ctx, r.instruments(b)...); err != nil {
		return err
	}
	if err := act(ctx, r, b.Analyzer, (*analyzer.Analyzer).Prepare); err != nil {
		return fmt.Errorf("%s: %w", b.Analyzer, err)
	}
	r.preset = true
	return nil
}

// afresh takes note of instruments that were restarted since they were last
// spoken to: the bring-up sets all that was lost by that.
func (r *rig) afresh(ctx context.Context, names ...string) error {
	for _, name := range names {
		opened, err := r.open(ctx, name)
		if err != nil {
			return err
		}
		err = opened.Session().Ready(ctx)
		if errors.Is(err, scpi.ErrRestarted) {
			err = opened.Session().Ready(ctx)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

// power switches DC on, limits first, and checks what arrives. It reports
// whether the output was off before.
func (r *rig) power(ctx context.Context, b lab.Bench) (started bool, err error) {
	dc, err := instrumentOf[*supply.Supply](ctx, r, b.Supply)
	if err != nil {
		return false, err
	}
	_, _, was, err := dc.Read(ctx)
	if err == nil {
		err = dc.Set(ctx, b.SupplyVolts, b.SupplyAmps)
	}
	if err != nil && was { // it runs at other settings; no unit transmits now
		if err = dc.Off(ctx); err == nil {
			was, err = false, dc.Set(ctx, b.SupplyVolts, b.SupplyAmps)
		}
	}
	if err == nil {
		err = dc.On(ctx)
	}
	if err != nil {
		return false, fmt.Errorf("%s: %w", b.Supply, err)
	}
	volts, amps, on, err := dc.Read(ctx)
	switch {
	case err != nil:
		return false, fmt.Errorf("%s: %w", b.Supply, err)
	case !on:
		return false, fmt.Errorf("%s: the output went off by itself; look for a short circuit", b.Supply)
	case math.Abs(volts-b.SupplyVolts) > supplyTolerance*b.SupplyVolts:
		return false, fmt.Errorf("%s: %.2f V at the output, want %.2f V; is the current limited? It is %.2f A", b.Supply, volts, b.SupplyVolts, amps)
	}
	return !was, nil
}

// muteAll waits until every unit of a bench that was just given DC answers,
// and mutes it: how a unit starts is up to the unit.
func (r *rig) muteAll(ctx context.Context, bench string) error {
	ctx, cancel := context.WithTimeout(ctx, r.agent.Timings.Boot)
	defer cancel()
	units := r.units(bench)
	problems := make([]error, len(units))
	var wait sync.WaitGroup
	for i, u := range units {
		wait.Go(func() {
			for {
				problems[i] = act(ctx, r, u.Serial, (*radiounit.RadioUnit).Mute)
				if problems[i] == nil || ctx.Err() != nil || wrongInstrument(problems[i]) {
					return
				}
				pause(ctx, nil, time.Second)
			}
		})
	}
	wait.Wait()
	if err := errors.Join(problems...); err != nil {
		return fmt.Errorf("units that do not answer after DC was switched on: %w", err)
	}
	return nil
}

// wrongInstrument reports an answer from something else than was expected:
// waiting does not help.
func wrongInstrument(err error) bool {
	return errors.Is(err, scpi.ErrWrongInstrument)
}

// loadUnit checks that the right unit is in the slot and has the build to test.
func (r *rig) loadUnit(ctx context.Context, s *segment) error {
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, s.mount.unit.Serial)
	if err != nil {
		return err
	}
	// Whoever was here last may have left it loading a build, deaf to commands.
	if err := u.Idle(ctx, r.agent.Timings.Segment); err != nil {
		return fmt.Errorf("%s: waiting until it is idle: %w", s.mount.unit.Serial, err)
	}
	id, err := u.Identity(ctx)
	if err != nil {
		return fmt.Errorf("%s: %w", s.mount.unit.Serial, err)
	}
	if id.Revision != s.mount.unit.Revision {
		return fmt.Errorf("%s says it is board revision %s, the inventory says %s", id.Serial, id.Revision, s.mount.unit.Revision)
	}
	if id.Build != s.build {
		if err := u.LoadBuild(ctx, s.build); err != nil {
			return fmt.Errorf("%s: loading build %s: %w", id.Serial, s.build, err)
		}
		if id, err = u.Identity(ctx); err != nil {
			return fmt.Errorf("%s: %w", s.mount.unit.Serial, err)
		}
	}
	if id.Serial != s.mount.unit.Serial || id.Type != s.mount.unit.Type || id.Build != s.build {
		return fmt.Errorf("the unit in %s slot %d says it is %s %s with build %s, want %s %s with build %s",
			s.mount.unit.Bench, s.mount.unit.Slot, id.Type, id.Serial, id.Build, s.mount.unit.Type, s.mount.unit.Serial, s.build)
	}
	if err := bringup.Sound(ctx, u); err != nil {
		return fmt.Errorf("%s: %w", s.mount.unit.Serial, err)
	}
	return nil
}

// found lists instruments and units as they answered.
func (r *rig) found(ctx context.Context, names ...string) (map[string]instrumentRecord, error) {
	inventory := r.inventory()
	records := map[string]instrumentRecord{}
	for _, name := range names {
		opened, err := r.open(ctx, name)
		if err != nil {
			return nil, err
		}
		record := instrumentRecord{Identity: opened.Identity().String(), Resource: opened.Session().Resource().String()}
		if i, ok := inventory.Instrument(name); ok {
			record.Certificate, record.CalibrationDue = i.Certificate, i.CalibrationDue.String()
		}
		records[name] = record
	}
	return records, nil
}
