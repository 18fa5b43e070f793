package radiounit

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// lockPause is the time between looks at an oscillator that has not locked yet.
const lockPause = 50 * time.Millisecond

// ErrUnlocked: the synthesiser does not lock.
var ErrUnlocked = errors.New("the synthesiser does not lock")

// CalibrationError is an initial calibration that failed.
type CalibrationError struct {
	Code int // of the unit; negative: it was never run
}

// Error prints the code.
func (e *CalibrationError) Error() string {
	if e.Code < 0 {
		return "radiounit: the initial calibration was not run; is the unit supplied?"
	}
	return fmt.Sprintf("radiounit: the initial calibration failed with code %d", e.Code)
}

// StopTimer stops the transmit timer, the clock of the air frame, confirmed where
// the unit can be asked.
func (u *RadioUnit) StopTimer(ctx context.Context) error {
	if err := u.need(Timer); err != nil {
		return err
	}
	return u.turn(ctx, "timer_stop", "timer", false, nil)
}

// StartTimer starts the transmit timer, confirmed where the unit can be asked.
func (u *RadioUnit) StartTimer(ctx context.Context) error {
	if err := u.need(Timer); err != nil {
		return err
	}
	return u.turn(ctx, "timer_start", "timer", true, nil)
}

// ResetSynthesizer makes the oscillator take the frequency of the carriers and waits
// until it has locked; ErrUnlocked when it does not within its class of timeouts.
func (u *RadioUnit) ResetSynthesizer(ctx context.Context) error {
	if err := u.need(Synthesizer); err != nil {
		return err
	}
	if err := u.tell(ctx, "synthesizer_reset", nil); err != nil {
		return err
	}
	patience := time.NewTimer(u.table.Timeout("synthesizer_reset"))
	defer patience.Stop()
	look := time.NewTicker(lockPause)
	defer look.Stop()
	for {
		locked, err := u.boolean(ctx, "synthesizer_locked", nil)
		if err != nil || locked {
			return err
		}
		select {
		case <-look.C:
		case <-patience.C:
			return fmt.Errorf("radiounit: %w within %v", ErrUnlocked, u.table.Timeout("synthesizer_reset"))
		case <-ctx.Done():
			return fmt.Errorf("radiounit: waiting for the synthesiser: %w", context.Cause(ctx))
		}
	}
}

// Calibrate runs the initial calibration where the oscillator is and waits for its
// end. A result other than success is *CalibrationError.
func (u *RadioUnit) Calibrate(ctx context.Context) error {
	if err := u.need(Calibrating); err != nil {
		return err
	}
	if err := u.tell(ctx, "calibrate", nil); err != nil {
		return err
	}
	code, err := u.whole(ctx, "calibration_result")
	if err == nil && code != 0 {
		err = &CalibrationError{Code: code}
	}
	return err
}

// CalibratedAt returns the frequency at which the unit was calibrated last.
func (u *RadioUnit) CalibratedAt(ctx context.Context) (rf.Hertz, error) {
	x, err := u.number(ctx, "calibration_frequency", nil)
	return rf.Hertz(x), err
}

// TrackingState says how far the tracking calibrations are.
type TrackingState string

// The states of the tracking calibrations.
const (
	TrackingOff       TrackingState = "off"
	TrackingSettling  TrackingState = "settling"
	TrackingConverged TrackingState = "converged"
	TrackingFailed    TrackingState = "failed"
)

// Tracking is how the tracking calibrations stand.
type Tracking struct {
	On    bool
	State TrackingState
}

// Track switches the tracking calibrations, confirmed where the unit can be asked.
func (u *RadioUnit) Track(ctx context.Context, on bool) error {
	if err := u.need(TrackingCal); err != nil {
		return err
	}
	told := "tracking_off"
	if on {
		told = "tracking_on"
	}
	return u.turn(ctx, told, "tracking", on, nil)
}

// Tracking asks how the tracking calibrations stand. They are on unless their state
// is off, where the unit cannot be asked for the switch.
func (u *RadioUnit) Tracking(ctx context.Context) (Tracking, error) {
	var t Tracking
	questions := []question{{"tracking_status", nil, func(answer []byte) error {
		word := u.table.String(answer)
		for _, s := range []TrackingState{TrackingOff, TrackingSettling, TrackingConverged, TrackingFailed} {
			if sameWord(word, string(s)) {
				t = Tracking{On: s != TrackingOff, State: s}
				return nil
			}
		}
		return fmt.Errorf("%w: state of tracking %.40q", scpi.ErrAnswer, word)
	}}}
	if u.table.Has("tracking") {
		questions = append(questions, question{"tracking", nil, func(answer []byte) (err error) {
			t.On, err = u.table.Bool("tracking", answer)
			return err
		}})
	}
	if err := u.ask(ctx, questions...); err != nil {
		return Tracking{}, err
	}
	return t, nil
}
