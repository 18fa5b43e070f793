package jobs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/switcher"
	"benchyard/jobs/bringup"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
)

// tune brings the carrier of a case to the analyzer, step by step as package bringup
// has it, and keeps the records. What stands already is left alone: another connector
// only needs the unit muted while the path changes. An agent that stops does not
// wait for the end of it: nothing would be measured after it.
func (t *tenure) tune(ctx context.Context, s *segment, c plan.Case, setup procedure.Setup) error {
	r := t.rig
	now := r.set
	subject := setup.Subject
	same := slices.Equal(now.carriers, subject.All()) && now.testModel == c.TestModel
	if same && now.connector == c.Connector && now.on {
		return nil
	}
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, now.unit)
	if err != nil {
		return err
	}
	task := bringup.Task{Unit: u, Bench: r.surroundings(s.mount, c, setup), Carriers: toldCarriers(c, setup)}
	steps := task.Tune()
	if same {
		steps = task.Reroute()
	}
	warming := !now.warm && s.plan.WarmUp.Limit > 0
	if warming {
		steps = append(steps, t.warmUp(s, u, setup))
	}
	now.on, now.carriers, now.connector = false, nil, 0
	ctx, stay := t.staying(ctx)
	defer stay()
	if err := t.walk(ctx, s, u, steps); err != nil {
		return fmt.Errorf("%s: %w", now.unit, err)
	}
	now.carriers, now.testModel, now.connector = subject.All(), c.TestModel, c.Connector
	now.on, now.warm = true, true
	if warming {
		t.rememberWarm(ctx, s, u)
	}
	return nil
}

// toldCarriers returns the carriers of a case as a unit is told them.
func toldCarriers(c plan.Case, setup procedure.Setup) []radiounit.Carrier {
	var carriers []radiounit.Carrier
	for _, k := range setup.Subject.All() {
		carriers = append(carriers, radiounit.Carrier{
			Center: k.Center, Bandwidth: k.Bandwidth, SCS: k.SCS,
			TestModel: c.TestModel, Duplex: setup.Duplex, Power: setup.Subject.CarrierPower(),
		})
	}
	return carriers
}

// walk takes steps of the unit and keeps their records with the segment. What an
// interlock refuses is a failure of the bench.
func (t *tenure) walk(ctx context.Context, s *segment, u *radiounit.RadioUnit, steps []bringup.Step) error {
	records, err := bringup.Run(ctx, steps, u.Has, func(step bringup.Step) {
		t.log.DebugContext(ctx, "step of the bring-up", "step", step.Name, "unit", s.mount.unit.Serial)
		if step.Waits {
			t.setActivity(ctx, BringUp, fmt.Sprintf("%s: %s", s.mount.unit.Serial, step.Name), &s.run)
		}
	})
	s.steps = append(s.steps, records...)
	if errors.Is(err, bringup.ErrUnsafe) {
		return benchFailure{err}
	}
	return err
}

// staying returns a context that also ends when no new segment begins.
func (t *tenure) staying(ctx context.Context) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	done := make(chan struct{})
	var watch sync.WaitGroup
	watch.Go(func() {
		select {
		case <-t.parting:
			cancel(errStopping)
		case <-done:
		}
	})
	return ctx, func() {
		close(done)
		watch.Wait()
		cancel(nil)
	}
}

// surroundings is the bench as a bring-up sees it, for one case.
func (r *rig) surroundings(m *mount, c plan.Case, setup procedure.Setup) bringup.Bench {
	return bringup.Bench{
		Check: func(context.Context) error {
			if err := pathsValid(m.lab, r.agent.latestLab(), m.unit, lab.DateOf(r.agent.Clock())); err != nil {
				return err
			}
			return procedure.Coverage(conformance.OutputPowerClause, setup)
		},
		Quiet:   func(ctx context.Context) error { return r.quiet(ctx) },
		Connect: func(ctx context.Context) error { return r.connect(ctx, m, c.Connector) },
		Clear:   func(ctx context.Context) error { return r.clear(ctx, m, c.Connector, setup) },
		Look:    func(ctx context.Context) (bringup.Sight, error) { return r.look(ctx, setup, m.analyzer.Name) },
	}
}

// quiet confirms that nothing arrives at the analyzer.
func (r *rig) quiet(ctx context.Context) error {
	parts := r.parts()
	for _, p := range parts.probes {
		if err := p.look(ctx, parts.analyzer); err != nil {
			return err
		}
	}
	return nil
}

// connect closes the path of a connector. Where there is nothing to close it with,
// a person has put the cable there, see tenure.cable.
func (r *rig) connect(ctx context.Context, m *mount, connector int) error {
	path, ok := m.lab.PathFor(m.unit.Bench, m.unit.Slot, connector)
	switch {
	case m.bench.ByHand() && r.cabled.connector == connector:
		return nil
	case m.bench.ByHand():
		return fmt.Errorf("nobody has confirmed that the cable of %s is at connector %d", m.bench.Name, connector)
	case !ok:
		return fmt.Errorf("%s slot %d connector %d has no path", m.unit.Bench, m.unit.Slot, connector)
	}
	b, err := r.bench()
	if err != nil {
		return err
	}
	matrix, err := instrumentOf[*switcher.Switcher](ctx, r, b.Switcher)
	if err != nil {
		return err
	}
	if err := matrix.Connect(ctx, path.Route); err != nil {
		return fmt.Errorf("%s: %w", b.Switcher, err)
	}
	return nil
}

// look measures the carriers at the connector quickly: one sweep of each instead of
// the averages of a measurement. An overload is an error of the sweep itself.
func (r *rig) look(ctx context.Context, setup procedure.Setup, name string) (bringup.Sight, error) {
	setup.LessFloor = false // a look, not a figure
	planned, err := procedure.Plan(conformance.OutputPowerClause, setup)
	if err != nil {
		return bringup.Sight{}, err
	}
	for i := range planned {
		planned[i].Sweep.Averages = 1
	}
	a, err := r.source(ctx, name)
	if err != nil {
		return bringup.Sight{}, err
	}
	traces, err := procedure.Acquire(ctx, a, planned)
	if err != nil {
		return bringup.Sight{}, err
	}
	readings, err := procedure.Analyze(conformance.OutputPowerClause, setup, traces)
	if err != nil {
		return bringup.Sight{}, err
	}
	if len(readings) == 0 {
		return bringup.Sight{}, fmt.Errorf("no output power was found")
	}
	weakest := slices.MinFunc(readings, func(a, b conformance.Reading) int { return cmp.Compare(a.Value, b.Value) })
	sight := bringup.Sight{Power: rf.DBm(weakest.Value)}
	for i, c := range setup.Subject.All() { // the sweeps are in their order
		off := float64((bringup.Middle(traces[i].Spectrum, c.Edges()) - c.Center) / c.Bandwidth)
		if i == 0 || math.Abs(off) > math.Abs(sight.Off) {
			sight.Off, sight.At = off, c.Center
		}
	}
	return sight, nil
}

// acquire takes sweeps of a case that need the carrier and checks that the unit
// was sound all the while: a reference lost in between makes the figures worthless.
func (r *rig) acquire(ctx context.Context, m *mount, planned []procedure.Planned) ([]procedure.Trace, error) {
	return r.sweep(ctx, m, planned, func(u *radiounit.RadioUnit, on bool) error {
		if !on {
			return fmt.Errorf("%s stopped transmitting during the measurement", m.unit.Serial)
		}
		if err := bringup.Sound(ctx, u); err != nil {
			return fmt.Errorf("%s: %w", m.unit.Serial, err)
		}
		return nil
	})
}

// acquireFloor takes sweeps of a case that want the unit muted. It stays muted:
// tune brings the next carrier on the air again.
func (r *rig) acquireFloor(ctx context.Context, m *mount, planned []procedure.Planned) ([]procedure.Trace, error) {
	if r.set.on {
		u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, m.unit.Serial)
		if err != nil {
			return nil, err
		}
		r.set.on = false
		if err := u.Mute(ctx); err != nil {
			return nil, fmt.Errorf("%s: %w", m.unit.Serial, err)
		}
	}
	return r.sweep(ctx, m, planned, func(_ *radiounit.RadioUnit, on bool) error {
		if on {
			return fmt.Errorf("%s transmitted while the noise floor was measured", m.unit.Serial)
		}
		return nil
	})
}

// sweep takes sweeps and asks afterwards about the unit, which transmits or not.
func (r *rig) sweep(ctx context.Context, m *mount, planned []procedure.Planned, fit func(u *radiounit.RadioUnit, on bool) error) ([]procedure.Trace, error) {
	a, err := r.source(ctx, m.analyzer.Name)
	if err != nil {
		return nil, err
	}
	traces, err := procedure.Acquire(ctx, a, planned)
	if err != nil {
		return nil, err
	}
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, m.unit.Serial)
	if err != nil {
		return nil, err
	}
	on, err := u.Transmitting(ctx)
	if err != nil {
		return nil, err
	}
	return traces, fit(u, on)
}
