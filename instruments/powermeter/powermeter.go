// Package powermeter drives an RF power meter: one sensor that tells the mean
// power of whatever it is connected to. It knows neither frequency nor path, so
// the frequency is set before each reading for the calibration factor, and what
// lies before the sensor is for the caller to add.
package powermeter

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// tolerance is the greatest difference accepted on reading the frequency back,
// in hertz: calibration factors change over megahertz.
const tolerance = 1e3

// perAverage is how long one reading of an average takes at most: common
// practice for thermal sensors, no source.
const perAverage = 500 * time.Millisecond

// PowerMeter is a power meter behind a session. It is for one goroutine at a time.
type PowerMeter struct {
	line dialect.Line
}

// New returns the driver of the power meter behind s, in the words of t.
func New(s *scpi.Session, t *dialect.Table) *PowerMeter {
	return &PowerMeter{dialect.Line{Session: s, Table: t}}
}

// Session returns the session the driver uses.
func (p *PowerMeter) Session() *scpi.Session { return p.line.Session }

// Prepare presets the power meter and has it answer in the unit of its dialect.
// One that was restarted is no error here.
func (p *PowerMeter) Prepare(ctx context.Context) error {
	err := p.line.Tell(ctx, "reset", nil)
	if errors.Is(err, scpi.ErrRestarted) {
		err = p.line.Tell(ctx, "reset", nil)
	}
	if err == nil && p.line.Table.Has("prepare") {
		err = p.line.Tell(ctx, "prepare", nil)
	}
	if err != nil {
		return fmt.Errorf("powermeter: preset: %w", err)
	}
	return nil
}

// Zero takes out the offset of the sensor and returns when that is done. No
// power may reach the sensor meanwhile: switch the source off first.
func (p *PowerMeter) Zero(ctx context.Context) error {
	if err := p.line.Tell(ctx, "zero", nil); err != nil {
		return fmt.Errorf("powermeter: zero: %w; is the source switched off?", err)
	}
	return nil
}

// Read returns the mean power at the sensor, for a signal at frequency f,
// averaged over so many readings of the instrument. What is no measured number,
// or came from an instrument with an error in its queue, is an error.
func (p *PowerMeter) Read(ctx context.Context, f rf.Hertz, averages int) (rf.DBm, error) {
	most := int(p.line.Table.Limits["max_averages"])
	if !(f > 0) || math.IsInf(float64(f), 0) || averages < 1 || averages > most {
		return 0, fmt.Errorf("powermeter: read at %g Hz with %d averages: want a frequency over zero and 1 to %d averages", float64(f), averages, most)
	}
	power, err := p.read(ctx, f, averages)
	if err != nil {
		return 0, fmt.Errorf("powermeter: read at %s: %w", f, err)
	}
	return power, nil
}

func (p *PowerMeter) read(ctx context.Context, f rf.Hertz, averages int) (rf.DBm, error) {
	err := p.line.Apply(ctx, "frequency", dialect.Values{"frequency": dialect.Real(float64(f))}, float64(f), tolerance)
	if err == nil {
		err = p.line.Apply(ctx, "averages", dialect.Values{"count": dialect.Count(averages)}, float64(averages), 0)
	}
	if err != nil {
		return 0, err
	}
	query, err := p.line.Table.Ask("power", nil)
	if err != nil {
		return 0, err
	}
	patience := p.line.Table.Timeout("power") + time.Duration(averages)*perAverage
	answers, err := p.line.Session.Exchange(ctx, patience, query, ":SYST:ERR?")
	if err != nil {
		return 0, err
	}
	if err := p.refused(ctx, answers[1]); err != nil {
		return 0, err
	}
	x, err := p.line.Table.Number("power", answers[0])
	return rf.DBm(x), err
}

// refused turns the oldest entry of the error queue into an error and removes
// the others.
func (p *PowerMeter) refused(ctx context.Context, queued []byte) error {
	entry, err := scpi.ParseError(string(queued))
	if err != nil {
		return fmt.Errorf("%w: %w", scpi.ErrAnswer, err)
	}
	if entry.Number == 0 {
		return nil
	}
	_, err = p.line.Session.DrainErrors(ctx)
	return errors.Join(&entry, err)
}
