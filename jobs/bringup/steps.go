package bringup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
)

// Why a unit is in no state to be measured.
var (
	ErrUnlocked = errors.New("it does not follow its reference")
	ErrNoPulse  = errors.New("it does not follow the pulse per second")
	ErrAlarms   = errors.New("it raises alarms")
)

// Sound checks what a unit says of itself: reference, pulse per second, alarms. What
// it cannot be asked is not looked at; an alarm would not be known there.
func Sound(ctx context.Context, u *radiounit.RadioUnit) error {
	for _, q := range []struct {
		of    radiounit.Capability
		ask   func(context.Context) (bool, error)
		wrong error
	}{{radiounit.Reference, u.Locked, ErrUnlocked}, {radiounit.PPS, u.PPSLocked, ErrNoPulse}} {
		if !u.Has(q.of) {
			continue
		}
		locked, err := q.ask(ctx)
		if err != nil {
			return err
		}
		if !locked {
			return fmt.Errorf("bringup: %w; look at its cable and at what feeds it", q.wrong)
		}
	}
	if !u.Has(radiounit.AlarmCount) {
		return nil
	}
	n, err := u.Alarms(ctx)
	if err == nil && n > 0 {
		err = fmt.Errorf("bringup: %w: %d; ask the unit which, and clear them", ErrAlarms, n)
	}
	return err
}

// precheck is all that can be known before the unit is told anything.
func (t Task) precheck(ctx context.Context) (string, error) {
	if err := t.Bench.Check(ctx); err != nil {
		return "", err
	}
	return t.status(ctx)
}

// status asks what the unit says of itself: that it is sound, how warm it is, and
// what it takes from its supply.
func (t Task) status(ctx context.Context) (string, error) {
	if err := Sound(ctx, t.Unit); err != nil {
		return "", err
	}
	var said string
	if t.Unit.Has(radiounit.Thermometer) {
		c, err := t.Unit.Temperature(ctx)
		if err != nil {
			return "", err
		}
		if !(c >= coldest && c <= hottest) {
			return "", fmt.Errorf("bringup: the unit is at %.1f °C, want %g °C to %g °C: let it cool, or look at its fans", c, coldest, hottest)
		}
		said = fmt.Sprintf("%.1f °C", c)
	}
	if t.Unit.Has(radiounit.SupplyPower) {
		volts, amps, err := t.Unit.SupplyReading(ctx)
		if err != nil {
			return "", err
		}
		said = joined(said, fmt.Sprintf("%.2f V, %.2f A", volts, amps))
	}
	return said, nil
}

// reduce takes the power down, in steps while the unit transmits.
func (t Task) reduce(ctx context.Context) (string, error) {
	on, err := t.Unit.Transmitting(ctx)
	if err != nil {
		return "", err
	}
	if on {
		for n := 1; n <= t.Unit.Connectors; n++ {
			if err := t.lower(ctx, n); err != nil {
				return "", err
			}
		}
	}
	return fmt.Sprintf("%s below full power", lowPower), t.Unit.Attenuate(ctx, 0, lowPower)
}

// lower takes the power of one connector down in steps from where it is.
func (t Task) lower(ctx context.Context, connector int) error {
	now, err := t.Unit.Attenuation(ctx, connector)
	for err == nil && now < lowPower {
		now = min(now+rampStep, lowPower)
		err = t.Unit.Attenuate(ctx, connector, now)
	}
	return err
}

// ramp takes the power up again in steps.
func (t Task) ramp(ctx context.Context) (string, error) {
	for left := lowPower; left > 0; {
		left = max(left-rampStep, 0)
		if err := t.Unit.Attenuate(ctx, 0, left); err != nil {
			return "", err
		}
	}
	return "", nil
}

func (t Task) track(on bool) func(context.Context) (string, error) {
	return quietly(func(ctx context.Context) error { return t.Unit.Track(ctx, on) })
}

// untracked confirms that the tracking calibrations hold still.
func (t Task) untracked(ctx context.Context) (string, error) {
	is, err := t.Unit.Tracking(ctx)
	if err == nil && is.State != radiounit.TrackingOff {
		err = fmt.Errorf("bringup: tracking is %s after it was switched off", is.State)
	}
	return "", err
}

// converged waits until the tracking calibrations have settled.
func (t Task) converged(ctx context.Context) (string, error) {
	began := time.Now()
	for wait := firstPause; ; wait = min(2*wait, mostPause) {
		is, err := t.Unit.Tracking(ctx)
		if err != nil {
			return "", err
		}
		switch is.State {
		case radiounit.TrackingConverged:
			return fmt.Sprintf("converged after %s", time.Since(began).Round(time.Millisecond)), nil
		case radiounit.TrackingSettling:
		default:
			return "", fmt.Errorf("bringup: the tracking calibrations are %s", is.State)
		}
		if err := pause(ctx, wait); err != nil {
			return "", err
		}
	}
}

// configure sets the carriers, and what a test may have left otherwise: a tone
// instead of the test model, connectors that are off.
func (t Task) configure(ctx context.Context) (string, error) {
	if err := t.Unit.ConfigureAll(ctx, t.Carriers); err != nil {
		return "", err
	}
	if t.Unit.Has(radiounit.ToneSource) {
		if err := t.Unit.Modulate(ctx); err != nil {
			return "", err
		}
	}
	if t.Unit.Has(radiounit.Connectors) {
		for n := 1; n <= t.Unit.Connectors; n++ {
			if err := t.Unit.Enable(ctx, n, true); err != nil {
				return "", err
			}
		}
	}
	return describe(t.Carriers), nil
}

func describe(carriers []radiounit.Carrier) string {
	var all string
	for i, c := range carriers {
		if i > 0 {
			all += " + "
		}
		all += fmt.Sprintf("%s at %s", c.Bandwidth, c.Center)
	}
	if len(carriers) > 0 {
		all += ", " + carriers[0].TestModel
	}
	return all
}

// calibrated confirms where the initial calibration was made, of units that tell.
func (t Task) calibrated(ctx context.Context) (string, error) {
	if !t.Unit.Has(radiounit.CalibratedFor) {
		return "", nil
	}
	f, err := t.Unit.CalibratedAt(ctx)
	if err != nil {
		return "", err
	}
	low, high := rf.Hertz(math.Inf(1)), rf.Hertz(0)
	for _, c := range t.Carriers {
		low, high = min(low, c.Center-c.Bandwidth/2), max(high, c.Center+c.Bandwidth/2)
	}
	if f < low || f > high {
		return "", fmt.Errorf("bringup: the unit was calibrated at %s, the carriers are from %s to %s", f, low, high)
	}
	return "at " + f.String(), nil
}

// pause waits, or returns why ctx ended.
func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
