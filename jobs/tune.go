package jobs

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/switcher"
	"benchyard/jobs/conformance"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
)

// sensible is how far below rated power a carrier still counts as there. A
// unit whose power is set wrong by some decibels must be measured, and fail.
const sensible rf.DB = 15

// tune brings the carrier of a case to the analyzer. The unit is muted whenever
// something changes: it cannot be retuned while it transmits, and switches
// carry no power when they move. What stands already is left alone.
func (r *rig) tune(ctx context.Context, s *segment, c plan.Case, setup procedure.Setup) error {
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
	now.on = false
	if err := u.Mute(ctx); err != nil {
		return fmt.Errorf("%s: %w", now.unit, err)
	}
	if !same {
		var told []radiounit.Carrier
		for _, k := range subject.All() {
			told = append(told, radiounit.Carrier{
				Center: k.Center, Bandwidth: k.Bandwidth, SCS: k.SCS,
				TestModel: c.TestModel, Duplex: setup.Duplex, Power: subject.CarrierPower(),
			})
		}
		if err := u.ConfigureAll(ctx, told); err != nil {
			return fmt.Errorf("%s: %w", now.unit, err)
		}
		now.carriers, now.testModel = subject.All(), c.TestModel
	}
	if err := r.connect(ctx, s.mount, c.Connector); err != nil {
		return err
	}
	now.connector = c.Connector
	if err := u.Transmit(ctx); err != nil {
		return fmt.Errorf("%s: %w", now.unit, err)
	}
	if err := r.verify(ctx, setup, s.mount.analyzer.Name); err != nil {
		return err
	}
	now.on = true
	return r.warmUp(ctx, s, setup)
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

// verify looks whether something like the carrier arrives at the analyzer. An
// overload is an error of the sweep itself.
func (r *rig) verify(ctx context.Context, setup procedure.Setup, name string) error {
	power, err := r.carrierPower(ctx, setup, name)
	if err != nil {
		return err
	}
	rated := setup.Subject.CarrierPower()
	if power < rated-rf.DBm(sensible) {
		return fmt.Errorf("%s at the connector where %s is rated: no carrier arrives; look at cable, switch and unit", power, rated)
	}
	return nil
}

// carrierPower reads the power of the carrier at the connector, of several that of
// the weakest, quickly: one
// sweep instead of the averages of a measurement.
func (r *rig) carrierPower(ctx context.Context, setup procedure.Setup, name string) (rf.DBm, error) {
	setup.LessFloor = false // a look, not a figure
	planned, err := procedure.Plan(conformance.OutputPowerClause, setup)
	if err != nil {
		return 0, err
	}
	for i := range planned {
		planned[i].Sweep.Averages = 1
	}
	a, err := instrumentOf[*analyzer.Analyzer](ctx, r, name)
	if err != nil {
		return 0, err
	}
	traces, err := procedure.Acquire(ctx, a, planned)
	if err != nil {
		return 0, err
	}
	readings, err := procedure.Analyze(conformance.OutputPowerClause, setup, traces)
	if err != nil {
		return 0, err
	}
	if len(readings) == 0 {
		return 0, fmt.Errorf("no output power was found")
	}
	weakest := slices.MinFunc(readings, func(a, b conformance.Reading) int { return cmp.Compare(a.Value, b.Value) })
	return rf.DBm(weakest.Value), nil
}

// warmUp waits until the unit is steady, as the plan says, once after it was
// switched on.
func (r *rig) warmUp(ctx context.Context, s *segment, setup procedure.Setup) error {
	w := s.plan.WarmUp
	if r.set.warm || w.Limit == 0 {
		return nil
	}
	limit, cancel := context.WithTimeoutCause(ctx, w.Limit, fmt.Errorf("%s is not warm after %s: its power still drifts", r.set.unit, w.Limit))
	defer cancel()
	pause(limit, nil, w.Minimum)
	previous, err := r.carrierPower(limit, setup, s.mount.analyzer.Name)
	for err == nil {
		pause(limit, nil, w.Interval)
		var power rf.DBm
		if power, err = r.carrierPower(limit, setup, s.mount.analyzer.Name); err == nil && max(power.Sub(previous), previous.Sub(power)) < w.Slope {
			r.set.warm = true
			return nil
		}
		previous = power
	}
	if limit.Err() != nil {
		return context.Cause(limit)
	}
	return err
}

// acquire takes sweeps of a case that need the carrier and checks that the unit
// was sound all the while: a reference lost in between makes the figures worthless.
func (r *rig) acquire(ctx context.Context, m *mount, planned []procedure.Planned) ([]procedure.Trace, error) {
	return r.sweep(ctx, m, planned, func(u *radiounit.RadioUnit, on bool) error {
		if !on {
			return fmt.Errorf("%s stopped transmitting during the measurement", m.unit.Serial)
		}
		return sound(ctx, u, m.unit.Serial)
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
	a, err := instrumentOf[*analyzer.Analyzer](ctx, r, m.analyzer.Name)
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
