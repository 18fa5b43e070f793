package bringup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

func everything(radiounit.Capability) bool { return true }

func nobody(Step) {}

var errBroken = errors.New("broken")

// failing fails the first n times.
func failing(n int, err error) func(context.Context) (string, error) {
	return func(context.Context) (string, error) {
		if n--; n >= 0 {
			return "", err
		}
		return "did it", nil
	}
}

func TestWhatBecomesOfSteps(t *testing.T) {
	for name, c := range map[string]struct {
		step    Step
		has     bool
		outcome Outcome
		tries   int
	}{
		"done":                   {Step{Do: failing(0, nil)}, true, Done, 1},
		"done when tried again":  {Step{Do: failing(2, errBroken), Retries: 2}, true, Done, 3},
		"failed too often":       {Step{Do: failing(3, errBroken), Retries: 2}, true, Failed, 3},
		"not true afterwards":    {Step{Do: failing(0, nil), Holds: failing(9, errBroken), Retries: 1}, true, Failed, 2},
		"the unit does it":       {Step{Do: failing(9, errBroken), Needs: needs(radiounit.Timer)}, false, Itself, 0},
		"an interlock says no":   {Step{Do: failing(1, fmt.Errorf("%w: %w", ErrUnsafe, errBroken)), Retries: 5}, true, Failed, 1},
		"the unit was restarted": {Step{Do: failing(1, scpi.ErrRestarted), Retries: 5}, true, Failed, 1},
	} {
		c.step.Name, c.step.Timeout = "it", time.Minute
		after := Step{Name: "after", Timeout: time.Minute, Do: failing(0, nil)}
		records, err := Run(t.Context(), []Step{c.step, after}, func(radiounit.Capability) bool { return c.has }, nobody)
		if r := records[0]; r.Outcome != c.outcome || r.Tries != c.tries {
			t.Errorf("%s: %+v", name, r)
		}
		var failed *StepError
		if c.outcome == Failed != errors.As(err, &failed) || (c.outcome == Failed) != (len(records) == 1) {
			t.Errorf("%s: %v after %d steps", name, err, len(records))
		}
	}
}

// A step that hangs ends with its time; the end of the work ends the step, with the
// reason of that end.
func TestStepsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hang := Step{Name: "it", Timeout: time.Minute, Do: func(ctx context.Context) (string, error) {
			<-ctx.Done()
			return "", ctx.Err()
		}}
		began := time.Now()
		records, err := Run(t.Context(), []Step{hang}, everything, nobody)
		if took := time.Since(began); took != time.Minute || !errors.Is(err, context.DeadlineExceeded) || records[0].Took != took {
			t.Errorf("%v after %s, %+v", err, took, records)
		}
		ctx, cancel := context.WithCancelCause(t.Context())
		time.AfterFunc(time.Second, func() { cancel(errBroken) })
		if _, err := Run(ctx, []Step{hang, hang}, everything, nobody); !errors.Is(err, errBroken) {
			t.Errorf("got %v", err)
		}
	})
}

// Before anything transmits at a new frequency the power is down, the oscillator
// calibrated and tracking, and the interlocks were asked last of all (metrology 6.2).
func TestOrderOfSteps(t *testing.T) {
	var names []string
	task := Task{Unit: &radiounit.RadioUnit{}}
	for _, s := range task.Tune() {
		names = append(names, s.Name)
		if s.Timeout <= 0 {
			t.Errorf("%s may take for ever", s.Name)
		}
	}
	order := []string{
		"precheck", "reduce power", "mute", "stop the transmit timer", "no power at the analyzer", "tracking off", "carriers", "synthesiser",
		"initial calibration", "tracking", "status", "path", "start the transmit timer", "interlocks", "transmit", "look at low power", "ramp", "settle",
	}
	if !slices.Equal(names, order) {
		t.Errorf("got %q", names)
	}
}

func TestWhatIsSeen(t *testing.T) {
	task := Task{Carriers: []radiounit.Carrier{{Power: 37}}}
	for _, c := range []struct {
		seen       Sight
		attenuated rf.DB
		fine       bool
	}{
		{Sight{Power: 37.2}, 0, true}, {Sight{Power: -2.8}, 40, true},
		{Sight{Power: 31}, 0, true}, // set wrong by 6 dB: to be measured, and to fail
		{Sight{Power: 21}, 0, false}, {Sight{Power: 40.5}, 0, false}, {Sight{Power: 1}, 40, false},
		{Sight{Power: 37, Off: 0.04}, 0, true}, {Sight{Power: 37, Off: -0.06}, 0, false},
		{Sight{Power: rf.DBm(math.NaN())}, 0, false}, {Sight{Power: 37, Off: math.NaN()}, 0, false},
	} {
		if _, err := task.judge(c.seen, c.attenuated); (err == nil) != c.fine {
			t.Errorf("%+v at -%s: %v", c.seen, c.attenuated, err)
		}
	}
}

// The power that rises by something else than the attenuation that was taken out
// shows that the attenuator is none.
func TestSettling(t *testing.T) {
	for _, c := range []struct {
		low  rf.DBm
		fine bool
	}{{-3, true}, {rf.DBm(math.NaN()), true}, {-7, false}, {1, false}} {
		levels := []rf.DBm{36, 36.5, 36.9, 37, 37}
		task := Task{Carriers: []radiounit.Carrier{{Power: 37}}, Bench: Bench{Look: func(context.Context) (Sight, error) {
			s := Sight{Power: levels[0]}
			levels = levels[1:]
			return s, nil
		}}}
		_, err := Run(t.Context(), []Step{task.settle(&Sight{Power: c.low})}, everything, nobody)
		if (err == nil) != c.fine || len(levels) != 1 {
			t.Errorf("from %s: %v, %d looks left", c.low, err, len(levels))
		}
	}
}

func TestMiddle(t *testing.T) {
	s := rf.Spectrum{Start: 100, Step: 1, Levels: make([]float64, 101)}
	for i := range s.Levels {
		s.Levels[i] = -90
		if i >= 30 && i <= 50 {
			s.Levels[i] = 0
		}
	}
	if f := Middle(s, rf.Range{Low: 100, High: 200}); f != 140 {
		t.Errorf("got %g", float64(f))
	}
}
