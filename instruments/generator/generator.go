// Package generator drives an RF signal generator: frequency, level, output.
// The output is dangerous to a receiver under test, so switching it off is
// confirmed by reading back, nothing else is believed, and no level above the
// limit of the instrument is ever sent.
package generator

import (
	"context"
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// ErrLimit: the level asked for is above what the generator may give.
var ErrLimit = errors.New("above the power limit")

// Generator is a signal generator behind a session.
type Generator struct {
	// MaxLevel is the greatest level that Set accepts. New takes it from the
	// dialect; who knows what the output is connected to sets a lower one before
	// Prepare, which tells it to the instrument as well where that can keep a limit.
	MaxLevel rf.DBm

	line dialect.Line
}

// New returns the driver of the generator behind s, in the words of t.
func New(s *scpi.Session, t *dialect.Table) *Generator {
	return &Generator{MaxLevel: rf.DBm(t.Limits["max_level"]), line: dialect.Line{Session: s, Table: t}}
}

// Session returns the session the driver uses.
func (g *Generator) Session() *scpi.Session { return g.line.Session }

// Prepare presets the generator, output off and confirmed, and sets its power
// limit. One that was restarted is no error here.
func (g *Generator) Prepare(ctx context.Context) error {
	if err := g.Off(ctx); err != nil {
		return err
	}
	err := g.line.Tell(ctx, "reset", nil)
	if errors.Is(err, scpi.ErrRestarted) {
		err = g.line.Tell(ctx, "reset", nil)
	}
	if err == nil && g.line.Table.Has("prepare") {
		err = g.line.Tell(ctx, "prepare", nil)
	}
	if err != nil {
		return fmt.Errorf("generator: preset: %w", err)
	}
	if g.line.Table.Has("level_limit") {
		limit := float64(g.MaxLevel)
		err := g.line.Apply(ctx, "level_limit", dialect.Values{"level": dialect.Real(limit)}, limit, g.tolerance("level_tolerance"))
		if err != nil {
			return fmt.Errorf("generator: power limit %s: %w", g.MaxLevel, err)
		}
	}
	return g.Off(ctx)
}

func (g *Generator) tolerance(name string) float64 { return g.line.Table.Limits[name] }

// Set sets frequency and level and reads both back. It does not switch the
// output. A level above MaxLevel is ErrLimit and nothing is sent.
func (g *Generator) Set(ctx context.Context, f rf.Hertz, p rf.DBm) error {
	if !(f > 0) || math.IsInf(float64(f), 0) || math.IsNaN(float64(p)) || math.IsInf(float64(p), 0) {
		return fmt.Errorf("generator: set %g Hz, %g dBm: want numbers, the frequency over zero", float64(f), float64(p))
	}
	if p > g.MaxLevel {
		return fmt.Errorf("generator: set %s: %w of %s", p, ErrLimit, g.MaxLevel)
	}
	frequency, err := g.line.Table.Set("frequency", dialect.Values{"frequency": dialect.Real(float64(f))})
	if err != nil {
		return err
	}
	level, err := g.line.Table.Set("level", dialect.Values{"level": dialect.Real(float64(p))})
	if err != nil {
		return err
	}
	if err := g.line.Session.Command(ctx, append(frequency, level...)...); err != nil {
		return fmt.Errorf("generator: set %s, %s: %w", f, p, err)
	}
	err = g.line.Expect(ctx, "frequency", nil, float64(f), g.tolerance("frequency_tolerance"))
	if err == nil {
		err = g.line.Expect(ctx, "level", nil, float64(p), g.tolerance("level_tolerance"))
	}
	if err != nil {
		return fmt.Errorf("generator: set %s, %s: %w", f, p, err)
	}
	return nil
}

// On switches the output on, confirmed.
func (g *Generator) On(ctx context.Context) error {
	if err := g.line.Switch(ctx, "output_on", "output", true); err != nil {
		return fmt.Errorf("generator: output on: %w", err)
	}
	return nil
}

// Off switches the output off. It returns nil only when the generator says that
// the output is off. One that gives no proper answer is told once more, blindly.
func (g *Generator) Off(ctx context.Context) error {
	if err := g.line.Switch(ctx, "output_off", "output", false); err != nil {
		return fmt.Errorf("generator: output off: %w", err)
	}
	return nil
}
