package radiounit

import (
	"context"
	"fmt"
	"math"
	"time"

	"benchyard/instruments/scpi"
)

// Locked reports whether the unit's oscillator follows its reference.
func (u *RadioUnit) Locked(ctx context.Context) (bool, error) {
	return u.boolean(ctx, "reference_locked", nil)
}

// PPSLocked reports whether the unit follows the pulse per second that gives it the time.
func (u *RadioUnit) PPSLocked(ctx context.Context) (bool, error) {
	return u.boolean(ctx, "pps_locked", nil)
}

// Temperature returns the temperature of the unit in degrees Celsius.
func (u *RadioUnit) Temperature(ctx context.Context) (float64, error) {
	return u.number(ctx, "temperature", nil)
}

// Alarms returns the number of alarms the unit raises.
func (u *RadioUnit) Alarms(ctx context.Context) (int, error) {
	n, err := u.whole(ctx, "alarms")
	if err == nil && n < 0 {
		err = fmt.Errorf("radiounit: alarms: %w: %d", scpi.ErrAnswer, n)
	}
	return n, err
}

// SupplyReading returns what the unit says of its own supply, in volts and amperes.
func (u *RadioUnit) SupplyReading(ctx context.Context) (volts, amps float64, err error) {
	if err := u.need(SupplyPower); err != nil {
		return 0, 0, err
	}
	into := func(entry string, x *float64) question {
		return question{entry, nil, func(answer []byte) (err error) {
			*x, err = u.table.Number(entry, answer)
			return err
		}}
	}
	if err = u.ask(ctx, into("supply_voltage", &volts), into("supply_current", &amps)); err != nil {
		return 0, 0, err
	}
	return volts, amps, nil
}

// Uptime returns how long the unit has been running, by its own clock: the time
// in which its calibrations go on.
func (u *RadioUnit) Uptime(ctx context.Context) (time.Duration, error) {
	if err := u.need(Clock); err != nil {
		return 0, err
	}
	seconds, err := u.number(ctx, "uptime", nil)
	if err == nil && !(seconds >= 0 && seconds < math.MaxInt64/float64(time.Second)) {
		err = fmt.Errorf("radiounit: uptime: %w: %g s", scpi.ErrAnswer, seconds)
	}
	return time.Duration(seconds * float64(time.Second)), err
}
