// Package generator drives an RF signal generator: frequency, level, output.
// The output is dangerous to a receiver under test, so switching it off is
// confirmed by reading back, and nothing else is believed.
package generator

import (
	"context"
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// Dialect holds the commands of one family of generators. %s stands for a
// number in base units.
type Dialect struct {
	Reset, Frequency, Power, On, Off  string
	AskFrequency, AskPower, AskOutput string
	FrequencyTolerance                rf.Hertz // greatest difference accepted on reading back
	PowerTolerance                    rf.DB
}

// standard is the dialect of SCPI-1999 (vol. 2, SOURce and OUTPut).
var standard = Dialect{
	Reset: "*RST", Frequency: ":FREQ %s", Power: ":POW %s", On: ":OUTP ON", Off: ":OUTP OFF",
	AskFrequency: ":FREQ?", AskPower: ":POW?", AskOutput: ":OUTP?",
	FrequencyTolerance: 1, PowerTolerance: 0.1,
}

// Generator is a signal generator behind a session.
type Generator struct {
	session *scpi.Session
	dialect Dialect
}

// New returns the driver of the generator behind s, in the standard dialect.
func New(s *scpi.Session) *Generator { return &Generator{session: s, dialect: standard} }

// Session returns the session the driver uses.
func (g *Generator) Session() *scpi.Session { return g.session }

// Prepare presets the generator, output off and confirmed. One that was
// restarted is no error here.
func (g *Generator) Prepare(ctx context.Context) error {
	if err := g.Off(ctx); err != nil {
		return err
	}
	err := g.session.Command(ctx, g.dialect.Reset)
	if errors.Is(err, scpi.ErrRestarted) {
		err = g.session.Command(ctx, g.dialect.Reset)
	}
	if err != nil {
		return fmt.Errorf("generator: preset: %w", err)
	}
	return g.Off(ctx)
}

// Set sets frequency and level and reads both back. It does not switch the output.
func (g *Generator) Set(ctx context.Context, f rf.Hertz, p rf.DBm) error {
	if !(f > 0) || math.IsInf(float64(f), 0) || math.IsNaN(float64(p)) || math.IsInf(float64(p), 0) {
		return fmt.Errorf("generator: set %g Hz, %g dBm: want numbers, the frequency over zero", float64(f), float64(p))
	}
	err := g.session.Command(ctx, fmt.Sprintf(g.dialect.Frequency, scpi.FormatNumber(float64(f))),
		fmt.Sprintf(g.dialect.Power, scpi.FormatNumber(float64(p))))
	if err != nil {
		return fmt.Errorf("generator: set %s, %s: %w", f, p, err)
	}
	isF, err := g.session.QueryNumber(ctx, g.dialect.AskFrequency)
	if err != nil {
		return fmt.Errorf("generator: read back frequency: %w", err)
	}
	isP, err := g.session.QueryNumber(ctx, g.dialect.AskPower)
	if err != nil {
		return fmt.Errorf("generator: read back level: %w", err)
	}
	if math.Abs(isF-float64(f)) > float64(g.dialect.FrequencyTolerance) || math.Abs(isP-float64(p)) > float64(g.dialect.PowerTolerance) {
		return fmt.Errorf("generator: set to %s, %s but it reads back %s, %s: %w", f, p, rf.Hertz(isF), rf.DBm(isP), scpi.ErrUnconfirmed)
	}
	return nil
}

// On switches the output on, confirmed.
func (g *Generator) On(ctx context.Context) error {
	if err := g.session.Command(ctx, g.dialect.On); err != nil {
		return fmt.Errorf("generator: output on: %w", err)
	}
	on, err := g.session.QueryBool(ctx, g.dialect.AskOutput)
	if err == nil && !on {
		err = scpi.ErrUnconfirmed
	}
	if err != nil {
		return fmt.Errorf("generator: output on: %w", err)
	}
	return nil
}

// Off switches the output off. It returns nil only when the generator says that
// the output is off.
func (g *Generator) Off(ctx context.Context) error {
	if err := g.session.Confirm(ctx, g.dialect.AskOutput, scpi.IsOff, g.dialect.Off); err != nil {
		return fmt.Errorf("generator: output off: %w", err)
	}
	return nil
}
