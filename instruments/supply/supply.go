// Package supply drives a DC supply: limits first, output after. A radio unit
// that gets the wrong voltage is lost, so the voltage is never moved while the
// output is on, over-voltage protection is always set, and every setting is read
// back before the output may be switched.
package supply

import (
	"context"
	"fmt"
	"math"

	"benchyard/instruments/scpi"
)

// Dialect holds the commands of one family of supplies. %s stands for a number
// in base units.
type Dialect struct {
	Volts, Amps, Protection, On, Off            string
	AskVolts, AskAmps, AskProtection, AskOutput string
	MeasureVolts, MeasureAmps                   string
}

// standard is the dialect of SCPI-1999 (vol. 4, DC supply class).
var standard = Dialect{
	Volts: ":VOLT %s", Amps: ":CURR %s", Protection: ":VOLT:PROT %s", On: ":OUTP ON", Off: ":OUTP OFF",
	AskVolts: ":VOLT?", AskAmps: ":CURR?", AskProtection: ":VOLT:PROT?", AskOutput: ":OUTP?",
	MeasureVolts: ":MEAS:VOLT?", MeasureAmps: ":MEAS:CURR?",
}

const (
	// overvoltage is the protection level over the set voltage.
	overvoltage = 1.1
	// tolerance is the greatest difference on reading back, relative.
	tolerance = 0.005
)

// protection returns the over-voltage protection level for a voltage, on a
// millivolt grid.
func protection(volts float64) float64 { return math.Round(volts*overvoltage*1e3) / 1e3 }

// Supply is a DC supply behind a session.
type Supply struct {
	session *scpi.Session
	dialect Dialect
}

// New returns the driver of the supply behind s, in the standard dialect.
func New(s *scpi.Session) *Supply { return &Supply{session: s, dialect: standard} }

// Session returns the session the driver uses.
func (s *Supply) Session() *scpi.Session { return s.session }

// Set sets voltage in volts, current limit in amperes and an over-voltage
// protection 10 % above the voltage, and reads all three back. With the output
// on it only accepts the settings already in force: a unit may hang on it.
func (s *Supply) Set(ctx context.Context, volts, amps float64) error {
	if !(volts > 0) || !(amps > 0) || math.IsInf(volts, 0) || math.IsInf(amps, 0) {
		return fmt.Errorf("supply: set %g V, %g A: both must be positive", volts, amps)
	}
	on, err := s.session.QueryBool(ctx, s.dialect.AskOutput)
	if err != nil {
		return fmt.Errorf("supply: output state: %w", err)
	}
	if on {
		if err := s.readBack(ctx, volts, amps); err != nil {
			return fmt.Errorf("supply: output is on with other settings, switch it off first: %w", err)
		}
		return nil
	}
	// From zero volts no order of limit and level can conflict.
	err = s.session.Command(ctx, s.set(s.dialect.Volts, 0), s.set(s.dialect.Amps, amps),
		s.set(s.dialect.Protection, protection(volts)), s.set(s.dialect.Volts, volts))
	if err != nil {
		return fmt.Errorf("supply: set %g V, %g A: %w", volts, amps, err)
	}
	return s.readBack(ctx, volts, amps)
}

func (s *Supply) set(template string, x float64) string {
	return fmt.Sprintf(template, scpi.FormatNumber(x))
}

// readBack compares the settings in the instrument with those wanted.
func (s *Supply) readBack(ctx context.Context, volts, amps float64) error {
	for _, r := range []struct {
		query, unit string
		want        float64
	}{{s.dialect.AskVolts, "V", volts}, {s.dialect.AskAmps, "A", amps}, {s.dialect.AskProtection, "V", protection(volts)}} {
		got, err := s.session.QueryNumber(ctx, r.query)
		if err != nil {
			return fmt.Errorf("supply: read back: %w", err)
		}
		if math.Abs(got-r.want) > tolerance*r.want {
			return fmt.Errorf("supply: %s reads back %g %s, want %g %s: %w", r.query, got, r.unit, r.want, r.unit, scpi.ErrUnconfirmed)
		}
	}
	return nil
}

// On switches the output on, confirmed. Set comes first.
func (s *Supply) On(ctx context.Context) error {
	if err := s.session.Command(ctx, s.dialect.On); err != nil {
		return fmt.Errorf("supply: output on: %w", err)
	}
	on, err := s.session.QueryBool(ctx, s.dialect.AskOutput)
	if err == nil && !on {
		err = scpi.ErrUnconfirmed
	}
	if err != nil {
		return fmt.Errorf("supply: output on: %w", err)
	}
	return nil
}

// Off switches the output off. It returns nil only when the supply says that the
// output is off.
func (s *Supply) Off(ctx context.Context) error {
	if err := s.session.Confirm(ctx, s.dialect.AskOutput, scpi.IsOff, s.dialect.Off); err != nil {
		return fmt.Errorf("supply: output off: %w", err)
	}
	return nil
}

// Read returns measured voltage in volts, measured current in amperes, and
// whether the output is on.
func (s *Supply) Read(ctx context.Context) (volts, amps float64, on bool, err error) {
	if volts, err = s.session.QueryNumber(ctx, s.dialect.MeasureVolts); err == nil {
		amps, err = s.session.QueryNumber(ctx, s.dialect.MeasureAmps)
	}
	if err == nil {
		on, err = s.session.QueryBool(ctx, s.dialect.AskOutput)
	}
	if err != nil {
		return 0, 0, false, fmt.Errorf("supply: read: %w", err)
	}
	return volts, amps, on, nil
}
