package jobs

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/jobs/bringup"
	"benchyard/jobs/conformance"
	"benchyard/jobs/procedure"
)

const (
	// trackingLook is the time between two looks at tracking that is waited for.
	trackingLook = 20 * time.Millisecond
	// trackingPatience bounds how long tracking may take to converge, wall time.
	trackingPatience = 5 * time.Minute
	// mostRounds bounds how often sweeps are repeated while tracking settles.
	mostRounds = 5000
	// stageTimeout bounds the commands that make a stage, wall time.
	stageTimeout = 20 * time.Second
)

// exerciser has a radio unit do what the stages of the transceiver health test
// want, and takes their sweeps. Times are those of the unit's own clock where it
// can be asked, for its calibrations go on in that time: also with a simulated
// unit whose clock runs faster than the one on the wall. Without it the clock is
// the computer's, and every trace says which one it was.
type exerciser struct {
	unit      *radiounit.RadioUnit
	analyzer  procedure.SpectrumSource
	bench     bringup.Bench
	connector int
	carrier   radiounit.Carrier                           // what all stages have in common
	walk      func(context.Context, []bringup.Step) error // takes steps and records them

	now     *procedure.Stage // nil: nothing is known
	began   time.Time        // of the computer's clock
	started time.Duration    // when tracking was switched on, by the clock
}

// take takes planned sweeps. The unit is left muted; the steps to the next carrier
// take back what stages have set.
func (e *exerciser) take(ctx context.Context, planned []procedure.Planned) ([]procedure.Trace, error) {
	var traces []procedure.Trace
	for i := 0; i < len(planned); {
		stage, end := planned[i].Stage, i
		for end < len(planned) && planned[end].Stage == stage {
			end++
		}
		if err := e.enter(ctx, stage); err != nil {
			return nil, err
		}
		some, err := e.sweep(ctx, stage, planned[i:end])
		if err != nil {
			return nil, err
		}
		if on, err := e.unit.Transmitting(ctx); err != nil || !on {
			return nil, errors.Join(err, errors.New("the unit stopped transmitting during the health test"))
		}
		traces, i = append(traces, some...), end
	}
	return traces, e.unit.Mute(ctx)
}

// enter brings the unit into a stage. What stands already is left alone.
func (e *exerciser) enter(ctx context.Context, to *procedure.Stage) error {
	was := e.now
	e.now = nil
	fresh := was == nil || was.Carrier != to.Carrier || (was.Tone == nil) != (to.Tone == nil) ||
		to.Calibration == procedure.Untracked || to.Calibration == procedure.Settling && was.Calibration != procedure.Untracked
	switch {
	case fresh:
		if err := e.retune(ctx, to); err != nil {
			return err
		}
	case was.Attenuation != to.Attenuation:
		if err := e.attenuate(ctx, to.Attenuation); err != nil {
			return err
		}
	}
	if err := e.track(ctx, to.Calibration); err != nil {
		return err
	}
	e.now = to
	return nil
}

func (e *exerciser) attenuate(ctx context.Context, a rf.DB) error {
	if a == 0 && !e.unit.Has(radiounit.Attenuating) {
		return nil
	}
	return e.unit.Attenuate(ctx, e.connector, a)
}

// retune brings the unit to the carrier of a stage with its initial calibration, and
// on the air with what the stage is about.
func (e *exerciser) retune(ctx context.Context, to *procedure.Stage) error {
	untracked := to.Calibration == procedure.Untracked || to.Calibration == procedure.Settling
	if untracked && !(e.unit.Has(radiounit.Calibrating) && e.unit.Has(radiounit.TrackingCal)) {
		return fmt.Errorf("the unit before tracking: %w", radiounit.ErrUnsupported)
	}
	carrier := e.carrier
	carrier.Center, carrier.Bandwidth, carrier.SCS = to.Carrier.Center, to.Carrier.Bandwidth, to.Carrier.SCS
	task := bringup.Task{Unit: e.unit, Bench: e.bench, Carriers: []radiounit.Carrier{carrier}}
	steps := append(task.Place(), bringup.Step{Name: "stage", Timeout: stageTimeout, Do: func(ctx context.Context) (string, error) {
		return stageText(to), e.arrange(ctx, to)
	}})
	if err := e.walk(ctx, append(steps, task.Air()...)); err != nil || !untracked {
		return err
	}
	if t, err := e.unit.Tracking(ctx); err != nil || t.On {
		return errors.Join(err, errors.New("the unit tracks by itself as soon as it transmits: it cannot be seen before tracking; give its carriers a test of their own without before and settle"))
	}
	return nil
}

// arrange sets, while the unit is muted, what makes the stage: signal, connectors
// and attenuation.
func (e *exerciser) arrange(ctx context.Context, to *procedure.Stage) error {
	if t := to.Tone; t != nil {
		if err := e.unit.Tone(ctx, t.Offset, t.Level); err != nil {
			return err
		}
	}
	if to.Alone {
		for n := 1; n <= e.unit.Connectors; n++ {
			if n == e.connector {
				continue
			}
			if err := e.unit.Enable(ctx, n, false); err != nil {
				return err
			}
		}
	}
	return e.attenuate(ctx, to.Attenuation)
}

// stageText says for people what a stage is.
func stageText(s *procedure.Stage) string {
	text := "test model"
	if s.Tone != nil {
		text = fmt.Sprintf("tone of %s over full scale at %s", s.Tone.Level, s.Tone.Offset)
	}
	if s.Attenuation != 0 {
		text += fmt.Sprintf(", %s attenuation", s.Attenuation)
	}
	if s.Alone {
		text += ", other connectors off"
	}
	return text
}

// track brings the tracking calibrations to where a stage wants them.
func (e *exerciser) track(ctx context.Context, to procedure.Calibration) error {
	if to != procedure.Settling && to != procedure.Tracked {
		return nil
	}
	if !e.unit.Has(radiounit.TrackingCal) { // it tracks by itself
		return nil
	}
	t, err := e.unit.Tracking(ctx)
	if err == nil && !t.On {
		if err = e.unit.Track(ctx, true); err == nil {
			e.started, _, err = e.clock(ctx)
		}
	}
	if err != nil || to == procedure.Settling {
		return err
	}
	ctx, cancel := context.WithTimeoutCause(ctx, trackingPatience, fmt.Errorf("tracking has not converged within %s", trackingPatience))
	defer cancel()
	for {
		converged, err := e.converged(ctx)
		if err != nil || converged {
			return err
		}
		pause(ctx, nil, trackingLook)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
	}
}

func (e *exerciser) converged(ctx context.Context) (bool, error) {
	t, err := e.unit.Tracking(ctx)
	if err == nil && (t.State == radiounit.TrackingFailed || t.State == radiounit.TrackingOff) {
		err = fmt.Errorf("tracking calibrations: %s", t.State)
	}
	return t.State == radiounit.TrackingConverged, err
}

// clock returns the time by which sweeps are stamped, and whose it is.
func (e *exerciser) clock(ctx context.Context) (time.Duration, string, error) {
	if !e.unit.Has(radiounit.Clock) {
		return time.Since(e.began), conformance.ComputerClock, nil
	}
	t, err := e.unit.Uptime(ctx)
	return t, conformance.RadioUnitClock, err
}

// sweep takes the sweeps of one stage.
func (e *exerciser) sweep(ctx context.Context, stage *procedure.Stage, planned []procedure.Planned) ([]procedure.Trace, error) {
	if stage.Calibration == procedure.Settling {
		return e.sweepSettling(ctx, planned)
	}
	traces, err := procedure.Acquire(ctx, e.analyzer, planned)
	if err != nil || !stage.Alone || !e.unit.Has(radiounit.SupplyPower) {
		return traces, err
	}
	volts, amps, err := e.unit.SupplyReading(ctx)
	for i := range traces {
		traces[i].Unit = &conformance.Observation{Volts: volts, Amps: amps}
	}
	return traces, err
}

// sweepSettling repeats sweeps until the unit says that tracking has converged, and
// then for as long again. A loop calls itself converged when it has taken away so
// many decibels of what it found; a product far down may still be moving then by
// more than one. What falls exponentially falls by as many decibels again in the
// same time.
func (e *exerciser) sweepSettling(ctx context.Context, planned []procedure.Planned) ([]procedure.Trace, error) {
	var traces []procedure.Trace
	var until time.Duration // since tracking was switched on; zero: it has not converged
	for round := 1; round <= mostRounds; round++ {
		some, now, err := e.sweepRound(ctx, planned, round)
		if err != nil {
			return nil, err
		}
		traces = append(traces, some...)
		if until > 0 && now >= until {
			return traces, nil
		}
		if until > 0 {
			continue
		}
		if converged, err := e.converged(ctx); err != nil {
			return nil, err
		} else if converged {
			until = 2 * now
		}
	}
	return nil, fmt.Errorf("tracking has not converged and held still within %d rounds of sweeps", mostRounds)
}

// sweepRound takes each sweep once and stamps it. It returns when it ended, since
// tracking was switched on.
func (e *exerciser) sweepRound(ctx context.Context, planned []procedure.Planned, round int) (traces []procedure.Trace, ended time.Duration, err error) {
	for _, p := range planned {
		p.Role += "/" + strconv.Itoa(round)
		from, whose, err := e.clock(ctx)
		if err != nil {
			return nil, 0, err
		}
		some, err := procedure.Acquire(ctx, e.analyzer, []procedure.Planned{p})
		if err != nil {
			return nil, 0, err
		}
		to, _, err := e.clock(ctx)
		if err != nil {
			return nil, 0, err
		}
		ended = to - e.started
		some[0].Unit = &conformance.Observation{Clock: whose, From: (from - e.started).Seconds(), To: ended.Seconds()}
		traces = append(traces, some...)
	}
	return traces, ended, nil
}

// acquireHealth takes a case of the transceiver health test. The next case is tuned
// from the beginning: nothing is left of how the unit stood.
func (t *tenure) acquireHealth(ctx context.Context, s *segment, k *taken, planned []procedure.Planned) ([]procedure.Trace, error) {
	r, m := t.rig, s.mount
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, m.unit.Serial)
	if err != nil {
		return nil, err
	}
	a, err := r.source(ctx, m.analyzer.Name)
	if err != nil {
		return nil, err
	}
	r.set.on, r.set.carriers = false, nil
	e := exerciser{
		began: time.Now(), unit: u, analyzer: a, bench: r.surroundings(m, k.Case, k.setup), connector: k.Connector,
		carrier: radiounit.Carrier{TestModel: k.TestModel, Duplex: k.setup.Duplex, Power: k.setup.Subject.CarrierPower()},
		walk: func(ctx context.Context, steps []bringup.Step) error {
			defer t.setActivity(ctx, Measuring, k.doing, &s.run)
			return t.walk(ctx, s, u, steps)
		},
	}
	traces, err := e.take(ctx, planned)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.unit.Serial, err)
	}
	return traces, nil
}
