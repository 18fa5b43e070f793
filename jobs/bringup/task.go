package bringup

import (
	"context"
	"fmt"
	"math"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
)

const (
	// lowPower is how far below its power a unit goes on the air at a new frequency,
	// and rampStep the most by which its power is moved at once (common practice, no
	// source).
	lowPower rf.DB = 40
	rampStep rf.DB = 10

	// tolerated is how far a level may be from what is expected: above it at any
	// time, and for the rise from low to full power (common practice, no source).
	tolerated rf.DB = 3
	// sensible is how far below what it was told a carrier still counts as there. A
	// unit whose power is set wrong by some decibels must be measured, and fail.
	sensible rf.DB = 15
	// quietLevel is what may be left at a connector that does not transmit.
	quietLevel rf.DBm = 0
	// steady is by how much two looks at the power that follow each other may differ
	// once it has settled; single sweeps scatter by a tenth of a decibel.
	steady rf.DB = 0.3
	// astray is how far the middle of a carrier may be from where it belongs, over its
	// bandwidth.
	astray = 0.05

	// coldest and hottest are the temperatures between which units are brought up,
	// degrees Celsius (common practice, no source).
	coldest, hottest = -40.0, 85.0
)

// How long the steps may take, and the time between looks at what settles.
const (
	exchange    = 20 * time.Second // some commands with their read-back
	sight       = time.Minute      // looks at the analyzer
	calibration = 2 * time.Minute
	convergence = 3 * time.Minute
	firstPause  = 5 * time.Millisecond // doubled from look to look
	mostPause   = 500 * time.Millisecond
)

// Sight is what the analyzer sees of the carriers, raised to the connector.
type Sight struct {
	Power rf.DBm   // of the weakest carrier
	Off   float64  // greatest distance of the middle of a carrier from where it belongs, over its bandwidth
	At    rf.Hertz // of the carrier that is Off
}

// Bench is what a bring-up asks of everything around the unit.
type Bench struct {
	// Check reports why the carriers cannot be measured in this place: nothing has
	// been told to the unit yet.
	Check func(context.Context) error
	// Quiet confirms that no power arrives at the analyzer.
	Quiet func(context.Context) error
	// Connect leads the connector to the analyzer; nothing transmits then.
	Connect func(context.Context) error
	// Clear is the last interlock before the unit transmits. Its error is final.
	Clear func(context.Context) error
	// Look measures the carriers quickly.
	Look func(context.Context) (Sight, error)
}

// Task is a unit that is to transmit carriers.
type Task struct {
	Unit     *radiounit.RadioUnit
	Bench    Bench
	Carriers []radiounit.Carrier
}

// Tune returns the steps from wherever the unit stands to its carriers at full
// power. They are the same for the first carrier and for every other.
func (t Task) Tune() []Step {
	low := &Sight{Power: rf.DBm(math.NaN())}
	steps := []Step{
		{Name: "precheck", Timeout: exchange, Do: t.precheck},
		{Name: "reduce power", Needs: needs(radiounit.Attenuating), Timeout: exchange, Retries: 1, Do: t.reduce},
	}
	steps = append(steps, t.Place()...)
	steps = append(steps, t.tracked()...)
	steps = append(steps, Step{Name: "path", Timeout: exchange, Do: quietly(t.Bench.Connect)})
	steps = append(steps, t.Air()...)
	return append(steps,
		Step{Name: "look at low power", Needs: needs(radiounit.Attenuating), Timeout: sight, Do: t.lookLow(low)},
		t.full(),
		t.settle(low),
	)
}

// Ahead returns the steps of a unit that is brought up while another one is measured:
// those of Tune but for everything that is seen at the analyzer, which Reroute makes
// up for when its turn comes. Its connectors end in their terminations all the while.
func (t Task) Ahead() []Step {
	steps := []Step{
		{Name: "precheck", Timeout: exchange, Do: t.precheck},
		{Name: "reduce power", Needs: needs(radiounit.Attenuating), Timeout: exchange, Retries: 1, Do: t.reduce},
	}
	for _, s := range t.Place() {
		if s.Name != quietStep {
			steps = append(steps, s)
		}
	}
	steps = append(steps, t.tracked()...)
	steps = append(steps, t.Air()...)
	return append(steps, t.full())
}

// tracked returns the steps in which tracking converges.
func (t Task) tracked() []Step {
	return []Step{
		{Name: "tracking", Needs: needs(radiounit.TrackingCal), Timeout: convergence, Waits: true, Do: t.track(true), Holds: t.converged},
		{Name: "status", Timeout: exchange, Do: t.status},
	}
}

// full is the step to full power.
func (t Task) full() Step {
	return Step{Name: "ramp", Needs: needs(radiounit.Attenuating), Timeout: exchange, Do: t.ramp}
}

// quietStep is the name of the step that looks whether the unit is off the air.
const quietStep = "no power at the analyzer"

// Place returns the steps from wherever the unit stands to its carriers, muted, with
// its test model at all connectors, calibrated there, and without tracking.
func (t Task) Place() []Step {
	return []Step{
		{Name: "mute", Timeout: exchange, Retries: 1, Do: quietly(t.Unit.Mute)},
		{Name: "stop the transmit timer", Needs: needs(radiounit.Timer), Timeout: exchange, Retries: 1, Do: quietly(t.Unit.StopTimer)},
		{Name: quietStep, Timeout: sight, Do: quietly(t.Bench.Quiet)},
		{Name: "tracking off", Needs: needs(radiounit.TrackingCal), Timeout: exchange, Retries: 1, Do: t.track(false), Holds: t.untracked},
		{Name: "carriers", Timeout: exchange, Retries: 1, Do: t.configure},
		{Name: "synthesiser", Needs: needs(radiounit.Synthesizer), Timeout: exchange, Retries: 1, Waits: true, Do: quietly(t.Unit.ResetSynthesizer)},
		{Name: "initial calibration", Needs: needs(radiounit.Calibrating), Timeout: calibration, Retries: 1, Waits: true, Do: quietly(t.Unit.Calibrate), Holds: t.calibrated},
	}
}

// Air returns the steps of a muted unit onto the air, the interlocks last.
func (t Task) Air() []Step {
	return []Step{
		{Name: "start the transmit timer", Needs: needs(radiounit.Timer), Timeout: exchange, Retries: 1, Do: quietly(t.Unit.StartTimer)},
		t.clear(),
		{Name: "transmit", Timeout: exchange, Do: quietly(t.Unit.Transmit)},
	}
}

// Reroute returns the steps to another connector with the carriers as they are.
func (t Task) Reroute() []Step {
	return []Step{
		{Name: "mute", Timeout: exchange, Retries: 1, Do: quietly(t.Unit.Mute)},
		{Name: "path", Timeout: exchange, Do: quietly(t.Bench.Connect)},
		t.clear(),
		{Name: "transmit", Timeout: exchange, Do: quietly(t.Unit.Transmit)},
		{Name: "look", Timeout: sight, Do: func(ctx context.Context) (string, error) {
			s, err := t.Bench.Look(ctx)
			if err != nil {
				return "", err
			}
			return t.judge(s, 0)
		}},
	}
}

func (t Task) clear() Step {
	return Step{Name: "interlocks", Timeout: exchange, Do: func(ctx context.Context) (string, error) {
		if err := t.Bench.Clear(ctx); err != nil {
			return "", fmt.Errorf("%w: %w", ErrUnsafe, err)
		}
		return "", nil
	}}
}

func needs(c ...radiounit.Capability) []radiounit.Capability { return c }

// quietly makes a step of something that has nothing to say.
func quietly(do func(context.Context) error) func(context.Context) (string, error) {
	return func(ctx context.Context) (string, error) { return "", do(ctx) }
}
