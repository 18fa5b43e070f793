package jobs

import (
	"context"
	"fmt"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/generator"
	"benchyard/instruments/switcher"
	"benchyard/jobs/lab"
	"benchyard/jobs/procedure"
)

// clear is asked right before a unit transmits. It judges by what is in force then,
// not by what was planned: the correction by the date, the path by what the matrix
// reads back, the analyzer by its attenuator, the generator by its output.
func (r *rig) clear(ctx context.Context, m *mount, connector int, setup procedure.Setup) error {
	if err := pathsValid(m.lab, r.agent.latestLab(), m.unit, lab.DateOf(r.agent.Clock())); err != nil {
		return err
	}
	path, levels, err := m.levels(connector, greatestPower(m.kind))
	if err != nil {
		return err
	}
	b, err := r.bench()
	if err != nil {
		return err
	}
	if err := r.clearPath(ctx, b, connector, path); err != nil {
		return err
	}
	if b.Generator != "" {
		if err := act(ctx, r, b.Generator, (*generator.Generator).Off); err != nil {
			return fmt.Errorf("%s: its output is not confirmed off: %w", b.Generator, err)
		}
	}
	a, err := instrumentOf[*analyzer.Analyzer](ctx, r, b.Analyzer)
	if err != nil {
		return err
	}
	if is, err := a.Attenuation(ctx); err == nil && is >= max(levels.Attenuation, setup.Attenuation) {
		return nil
	}
	if err := a.Protect(ctx); err != nil {
		return fmt.Errorf("%s: %w", b.Analyzer, err)
	}
	return nil
}

// clearPath confirms that just the path of the connector is closed, which leaves all
// others terminated. Where a person moves the cable, that person has confirmed both.
func (r *rig) clearPath(ctx context.Context, b lab.Bench, connector int, path lab.Path) error {
	if b.ByHand() {
		if r.cabled.connector != connector {
			return fmt.Errorf("nobody has confirmed that the cable of %s is at connector %d and the others are terminated", b.Name, connector)
		}
		return nil
	}
	matrix, err := instrumentOf[*switcher.Switcher](ctx, r, b.Switcher)
	if err == nil {
		err = matrix.Connected(ctx, path.Route)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", b.Switcher, err)
	}
	return nil
}
