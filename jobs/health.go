package jobs

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/generator"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/procedure"
)

const (
	// trackingLook is the time between two looks at tracking that is waited for.
	trackingLook = 20 * time.Millisecond
	// trackingPatience bounds how long tracking may take to converge, wall time.
	trackingPatience = 5 * time.Minute
	// mostRounds bounds how often sweeps are repeated while tracking settles.
	mostRounds = 5000
)

// exerciser has a radio unit do what the stages of the transceiver health test
// want, and takes their sweeps. Times are those of the unit's own clock where it
// can be asked, for its calibrations go on in that time: also with a simulated
// unit whose clock runs faster than the one on the wall. Without it the clock is
// the computer's, and every trace says which one it was.
type exerciser struct {
	unit      *radiounit.RadioUnit
	analyzer  procedure.SpectrumSource
	connector int
	duplex    string
	testModel string
	power     rf.DBm
	clear     func(context.Context) error // asked right before the unit transmits

	now     *procedure.Stage // nil: nothing is known
	began   time.Time        // of the computer's clock
	started time.Duration    // when tracking was switched on, by the clock
}

// take takes planned sweeps. The unit is left muted, with its test model and
// without attenuation.
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
	return traces, e.leave(ctx)
}

// leave mutes the unit and takes back what stages have set.
func (e *exerciser) leave(ctx context.Context) error {
	e.now = nil
	if err := e.unit.Mute(ctx); err != nil {
		return err
	}
	if e.unit.Has(radiounit.ToneSource) {
		if err := e.unit.Modulate(ctx); err != nil {
			return err
		}
	}
	if e.unit.Has(radiounit.Attenuating) {
		if err := e.unit.Attenuate(ctx, e.connector, 0); err != nil {
			return err
		}
	}
	return e.others(ctx, true)
}

// enter brings the unit into a stage. What stands already is left alone.
func (e *exerciser) enter(ctx context.Context, to *procedure.Stage) error {
	was := e.now
	e.now = nil
	fresh := was == nil || was.Carrier != to.Carrier || (was.Tone == nil) != (to.Tone == nil) ||
		to.Calibration == procedure.Untracked || to.Calibration == procedure.Settling && was.Calibration != procedure.Untracked
	if fresh {
		if err := e.retune(ctx, to); err != nil {
			return err
		}
	}
	if fresh || was.Attenuation != to.Attenuation {
		if err := e.attenuate(ctx, to.Attenuation); err != nil {
			return err
		}
	}
	if fresh {
		if err := e.clear(ctx); err != nil {
			return err
		}
		if err := e.unit.Transmit(ctx); err != nil {
			return err
		}
		if to.Calibration == procedure.Untracked || to.Calibration == procedure.Settling {
			if t, err := e.unit.Tracking(ctx); err != nil || t.On {
				return errors.Join(err, errors.New("the unit tracks by itself as soon as it transmits: it cannot be seen before tracking; leave before and settle out of the plan"))
			}
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

// retune brings the unit, muted, to the carrier of a stage with its initial
// calibration. Steps it has no words for it does by itself, but for what the
// stage is about.
func (e *exerciser) retune(ctx context.Context, to *procedure.Stage) error {
	u := e.unit
	needed := to.Calibration == procedure.Untracked || to.Calibration == procedure.Settling
	if needed && !(u.Has(radiounit.Calibrating) && u.Has(radiounit.TrackingCal)) {
		return fmt.Errorf("the unit before tracking: %w", radiounit.ErrUnsupported)
	}
	source := u.Modulate
	if t := to.Tone; t != nil {
		source = func(ctx context.Context) error { return u.Tone(ctx, t.Offset, t.Level) }
	}
	carrier := radiounit.Carrier{
		Center: to.Carrier.Center, Bandwidth: to.Carrier.Bandwidth, SCS: to.Carrier.SCS, TestModel: e.testModel, Duplex: e.duplex, Power: e.power,
	}
	for _, step := range []struct {
		of radiounit.Capability // empty: every unit has it
		do func(context.Context) error
	}{
		{"", u.Mute},
		{radiounit.Timer, u.StopTimer},
		{radiounit.TrackingCal, func(ctx context.Context) error { return u.Track(ctx, false) }},
		{"", func(ctx context.Context) error { return u.ConfigureAll(ctx, []radiounit.Carrier{carrier}) }},
		{radiounit.Synthesizer, u.ResetSynthesizer},
		{radiounit.Calibrating, u.Calibrate},
		{"", func(ctx context.Context) error {
			if to.Tone == nil && !u.Has(radiounit.ToneSource) {
				return nil
			}
			return source(ctx)
		}},
		{"", func(ctx context.Context) error { return e.others(ctx, !to.Alone) }},
		{radiounit.Timer, u.StartTimer},
	} {
		if step.of != "" && !u.Has(step.of) {
			continue
		}
		if err := step.do(ctx); err != nil {
			return err
		}
	}
	return nil
}

// others switches all connectors but the measured one.
func (e *exerciser) others(ctx context.Context, on bool) error {
	if on && !e.unit.Has(radiounit.Connectors) {
		return nil
	}
	for n := 1; n <= e.unit.Connectors; n++ {
		if n == e.connector {
			continue
		}
		if err := e.unit.Enable(ctx, n, on); err != nil {
			return err
		}
	}
	return nil
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

// sweep takes the sweeps of one stage; those of settling again and again until the
// unit says that tracking has converged, and once more.
func (e *exerciser) sweep(ctx context.Context, stage *procedure.Stage, planned []procedure.Planned) ([]procedure.Trace, error) {
	if stage.Calibration != procedure.Settling {
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
	var traces []procedure.Trace
	for round, last := 1, false; ; round++ {
		for _, p := range planned {
			p.Role += "/" + strconv.Itoa(round)
			from, whose, err := e.clock(ctx)
			if err != nil {
				return nil, err
			}
			some, err := procedure.Acquire(ctx, e.analyzer, []procedure.Planned{p})
			if err != nil {
				return nil, err
			}
			to, _, err := e.clock(ctx)
			if err != nil {
				return nil, err
			}
			some[0].Unit = &conformance.Observation{Clock: whose, From: (from - e.started).Seconds(), To: (to - e.started).Seconds()}
			traces = append(traces, some...)
		}
		if last {
			return traces, nil
		}
		var err error
		if last, err = e.converged(ctx); err != nil {
			return nil, err
		}
		if round == mostRounds {
			return nil, fmt.Errorf("tracking has not converged after %d rounds of sweeps", round)
		}
	}
}

// guarded is what must hold whenever a stage puts the unit on the air: the path is
// valid today, the generator off, the analyzer at full attenuation.
func (r *rig) guarded(ctx context.Context, m *mount, a *analyzer.Analyzer) error {
	if err := pathsValid(m.lab, r.agent.latestLab(), m.unit, lab.DateOf(r.agent.Clock())); err != nil {
		return err
	}
	if m.bench.Generator != "" {
		if err := act(ctx, r, m.bench.Generator, (*generator.Generator).Off); err != nil {
			return fmt.Errorf("%s: its output is not confirmed off: %w", m.bench.Generator, err)
		}
	}
	return a.Protect(ctx)
}

// acquireHealth takes a case of the transceiver health test. The next case is tuned
// from the beginning: nothing is left of how the unit stood.
func (r *rig) acquireHealth(ctx context.Context, m *mount, k *taken, planned []procedure.Planned) ([]procedure.Trace, error) {
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, r, m.unit.Serial)
	if err != nil {
		return nil, err
	}
	a, err := instrumentOf[*analyzer.Analyzer](ctx, r, m.analyzer.Name)
	if err != nil {
		return nil, err
	}
	r.set.on, r.set.carriers = false, nil
	e := exerciser{
		began: time.Now(), unit: u, analyzer: a, connector: k.Connector, duplex: k.setup.Duplex, testModel: k.TestModel, power: k.setup.Subject.CarrierPower(),
		clear: func(ctx context.Context) error { return r.guarded(ctx, m, a) },
	}
	traces, err := e.take(ctx, planned)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.unit.Serial, err)
	}
	return traces, nil
}
