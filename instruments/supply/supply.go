// Package supply drives a DC supply: limits first, output after. A radio unit
// that gets the wrong voltage is lost, so the voltage is never moved while the
// output is on, over-voltage protection is always set, and every setting is read
// back before the output may be switched.
package supply

import (
	"context"
	"fmt"
	"math"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
)

// Supply is a DC supply behind a session.
type Supply struct{ line dialect.Line }

// New returns the driver of the supply behind s, in the words of t.
func New(s *scpi.Session, t *dialect.Table) *Supply {
	return &Supply{dialect.Line{Session: s, Table: t}}
}

// Session returns the session the driver uses.
func (s *Supply) Session() *scpi.Session { return s.line.Session }

// protection returns the over-voltage protection level for a voltage, on a
// millivolt grid.
func (s *Supply) protection(volts float64) float64 {
	return math.Round(volts*s.line.Table.Limits["overvoltage"]*1e3) / 1e3
}

// Set sets voltage in volts, current limit in amperes and the over-voltage
// protection, which lies above the voltage by the factor of the dialect (10 % in
// the standard one), and reads all three back. With the output on it only
// accepts the settings already in force: a unit may hang on it.
func (s *Supply) Set(ctx context.Context, volts, amps float64) error {
	if !(volts > 0) || !(amps > 0) || math.IsInf(volts, 0) || math.IsInf(amps, 0) {
		return fmt.Errorf("supply: set %g V, %g A: both must be positive", volts, amps)
	}
	on, err := s.line.Bool(ctx, "output", nil)
	if err != nil {
		return fmt.Errorf("supply: output state: %w", err)
	}
	if on {
		if err := s.readBack(ctx, volts, amps); err != nil {
			return fmt.Errorf("supply: output is on with other settings, switch it off first: %w", err)
		}
		return nil
	}
	commands, err := s.commands(volts, amps)
	if err == nil {
		err = s.line.Session.Command(ctx, commands...)
	}
	if err != nil {
		return fmt.Errorf("supply: set %g V, %g A: %w", volts, amps, err)
	}
	return s.readBack(ctx, volts, amps)
}

// commands sets all three. From zero volts no order of limit and level can conflict.
func (s *Supply) commands(volts, amps float64) (all []string, err error) {
	for _, c := range []struct {
		capability, param string
		value             float64
	}{{"voltage", "voltage", 0}, {"current", "current", amps}, {"protection", "voltage", s.protection(volts)}, {"voltage", "voltage", volts}} {
		commands, err := s.line.Table.Set(c.capability, dialect.Values{c.param: dialect.Real(c.value)})
		if err != nil {
			return nil, err
		}
		all = append(all, commands...)
	}
	return all, nil
}

// readBack compares the settings in the instrument with those wanted.
func (s *Supply) readBack(ctx context.Context, volts, amps float64) error {
	for _, r := range []struct {
		capability string
		want       float64
	}{{"voltage", volts}, {"current", amps}, {"protection", s.protection(volts)}} {
		if err := s.line.Expect(ctx, r.capability, nil, r.want, s.line.Table.Limits["tolerance"]*r.want); err != nil {
			return fmt.Errorf("supply: %w", err)
		}
	}
	return nil
}

// On switches the output on, confirmed. Set comes first.
func (s *Supply) On(ctx context.Context) error {
	if err := s.line.Switch(ctx, "output_on", "output", true); err != nil {
		return fmt.Errorf("supply: output on: %w", err)
	}
	return nil
}

// Off switches the output off. It returns nil only when the supply says that the
// output is off. One that gives no proper answer is told once more, blindly.
func (s *Supply) Off(ctx context.Context) error {
	if err := s.line.Switch(ctx, "output_off", "output", false); err != nil {
		return fmt.Errorf("supply: output off: %w", err)
	}
	return nil
}

// Read returns measured voltage in volts, measured current in amperes, and
// whether the output is on.
func (s *Supply) Read(ctx context.Context) (volts, amps float64, on bool, err error) {
	if volts, err = s.line.Number(ctx, "measured_voltage", nil); err == nil {
		amps, err = s.line.Number(ctx, "measured_current", nil)
	}
	if err == nil {
		on, err = s.line.Bool(ctx, "output", nil)
	}
	if err != nil {
		return 0, 0, false, fmt.Errorf("supply: read: %w", err)
	}
	return volts, amps, on, nil
}
