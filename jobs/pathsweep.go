package jobs

import (
	"context"
	"fmt"
	"time"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/generator"
	"benchyard/instruments/powermeter"
	"benchyard/instruments/rf"
	"benchyard/instruments/switcher"
	"benchyard/jobs/calibration"
)

const (
	pathRepeats   = 4  // readings of each place at each frequency
	meterAverages = 16 // in one reading of the power meter
	// tellEvery is how often the tables are told how far the readings are.
	tellEvery = time.Second
)

// readGenerator has a person join the generator to the power meter and reads its
// level at every frequency.
func (t *tenure) readGenerator(ctx context.Context, j *pathJob) error {
	r, b := t.rig, j.plan.bench
	if err := t.askPath(ctx, j, Prompt{Kind: ConnectGenerator, Text: j.plan.meterText()}); err != nil {
		return err
	}
	r.unsafe()
	if err := r.afresh(ctx, b.PowerMeter); err != nil {
		return err
	}
	meter, err := instrumentOf[*powermeter.PowerMeter](ctx, r, b.PowerMeter)
	if err != nil {
		return err
	}
	source, err := r.steadySource(ctx, j.plan)
	if err != nil {
		return err
	}
	if err := t.keepInstruments(ctx, j); err != nil {
		return err
	}
	err = meter.Prepare(ctx)
	if err == nil {
		err = meter.Zero(ctx)
	}
	if err == nil {
		err = t.feed(ctx, j, source, "power meter", func(f rf.Hertz, i int) error {
			one := calibration.Reading{Frequency: f}
			for range pathRepeats {
				level, err := meter.Read(ctx, f, meterAverages)
				if err == nil {
					err = calibration.Joined(j.request.Level, level, f)
				}
				if err != nil {
					return err
				}
				one.Meter = append(one.Meter, float64(level))
			}
			j.readings = append(j.readings, one)
			return nil
		})
	}
	if err != nil {
		return fmt.Errorf("%s at %s: %w", b.Generator, b.PowerMeter, err)
	}
	return nil
}

// readPath has a person join the generator to the end of the path and reads what
// arrives at the analyzer.
func (t *tenure) readPath(ctx context.Context, j *pathJob) error {
	r, b := t.rig, j.plan.bench
	if err := t.displace(ctx, j, true); err != nil { // before anybody touches it
		return err
	}
	r.cabled = cabling{}
	err := t.askPath(ctx, j, Prompt{Kind: ConnectGenerator, Text: j.plan.pathText(),
		Cautions: []string{"The connector that the path comes off stays open, or gets a load: nothing transmits until it is back."}})
	if err != nil {
		return err
	}
	r.unsafe()
	source, err := r.steadySource(ctx, j.plan)
	if err != nil {
		return err
	}
	a, err := instrumentOf[*analyzer.Analyzer](ctx, r, b.Analyzer)
	if err != nil {
		return err
	}
	r.preset = false
	if err := a.Prepare(ctx); err != nil {
		return fmt.Errorf("%s: %w", b.Analyzer, err)
	}
	r.preset = true
	if !b.ByHand() {
		err := act(ctx, r, b.Switcher, func(m *switcher.Switcher, ctx context.Context) error { return m.Connect(ctx, j.plan.path.Route) })
		if err != nil {
			return fmt.Errorf("%s: %w", b.Switcher, err)
		}
	}
	err = t.feed(ctx, j, source, "path", func(f rf.Hertz, i int) error {
		for range pathRepeats {
			trace, err := timedSource{a, r}.Sweep(ctx, calibration.LineSweep(f, j.request.Level))
			if err != nil {
				return err
			}
			level, err := calibration.Line(trace, f)
			if err != nil {
				return err
			}
			j.readings[i].Analyzer = append(j.readings[i].Analyzer, float64(level))
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("%s: %w", j.request.PathPlace, err)
	}
	return nil
}

// restorePath has a person put the path back onto its connector.
func (t *tenure) restorePath(ctx context.Context, j *pathJob) error {
	if err := t.askPath(ctx, j, Prompt{Kind: MoveCable, Text: j.plan.backText()}); err != nil {
		return err
	}
	return t.displace(ctx, j, false)
}

// askPath asks a person for something that a task needs.
func (t *tenure) askPath(ctx context.Context, j *pathJob, p Prompt) error {
	p.PathTask = j.id
	t.tellPath(ctx, j, p.Text)
	_, err := t.ask(ctx, p)
	return err
}

// steadySource gives the generator, off, unable to give more than the level of the
// task. A person was at the bench: anything may have been restarted.
func (r *rig) steadySource(ctx context.Context, p pathSetup) (*generator.Generator, error) {
	names := []string{p.bench.Generator, p.bench.Analyzer}
	if !p.bench.ByHand() {
		names = append(names, p.bench.Switcher)
	}
	if err := r.afresh(ctx, names...); err != nil {
		return nil, err
	}
	g, err := instrumentOf[*generator.Generator](ctx, r, p.bench.Generator)
	if err != nil {
		return nil, err
	}
	g.MaxLevel = p.request.Level
	if err := g.Prepare(ctx); err != nil {
		return nil, fmt.Errorf("%s: %w", p.bench.Generator, err)
	}
	return g, nil
}

// feed switches the generator on, once no unit of the bench can send power back
// into it, has each frequency read, and switches it off, confirmed.
func (t *tenure) feed(ctx context.Context, j *pathJob, g *generator.Generator, at string, read func(rf.Hertz, int) error) error {
	parts := t.rig.parts()
	if err := parts.silence(ctx, t.agent.Timings.SafeStep).Err(); err != nil {
		return fmt.Errorf("the generator stays off: %w", err)
	}
	for i, f := range j.plan.frequencies {
		if err := t.interrupted(ctx); err != nil {
			return err
		}
		began := time.Now()
		err := g.Set(ctx, f, j.request.Level)
		if err == nil && i == 0 {
			err = g.On(ctx)
		}
		if err == nil {
			err = read(f, i)
		}
		if err != nil {
			return err
		}
		j.pace.took(at == "power meter", time.Since(began))
		if i == 0 || time.Since(j.told) >= tellEvery {
			doing := fmt.Sprintf("slot %d connector %d: %s, %d of %d, %s", j.request.Slot, j.request.Connector, at, i+1, len(j.plan.frequencies), f)
			t.tellPath(ctx, j, doing)
			t.setActivity(ctx, Measuring, doing, nil)
		}
	}
	return g.Off(ctx)
}

// tellPath writes how far a task is. Work does not stop when it cannot be written.
func (t *tenure) tellPath(ctx context.Context, j *pathJob, doing string) {
	j.told = time.Now()
	_, err := t.agent.Pool.Exec(ctx, `UPDATE path_task SET doing = $2, readings = $3, left_s = $4, updated_at = now() WHERE id = $1 AND state = 'active'`,
		j.id, doing, j.pace.metered+j.pace.swept, j.pace.left().Seconds())
	if err != nil && ctx.Err() == nil {
		t.log.WarnContext(ctx, "the progress of a path task was not written", "task", j.id, "error", err)
	}
}

// keepInstruments stores which instruments take part, as they answered.
func (t *tenure) keepInstruments(ctx context.Context, j *pathJob) error {
	b := j.plan.bench
	found, err := t.rig.found(ctx, b.Generator, b.PowerMeter, b.Analyzer)
	if err != nil {
		return err
	}
	_, err = t.agent.Pool.Exec(ctx, `UPDATE path_task SET instruments = $2 WHERE id = $1`, j.id, found)
	if err != nil {
		return fmt.Errorf("jobs: path task %s: %w", j.id, err)
	}
	return nil
}

// took counts one frequency that was read.
func (p *pace) took(atMeter bool, d time.Duration) {
	if atMeter {
		p.meter, p.metered, p.atMeter = p.meter-1, p.metered+1, p.atMeter+d
		return
	}
	p.sweeps, p.swept, p.atPath = p.sweeps-1, p.swept+1, p.atPath+d
}

// meterText has the generator joined to the power meter.
func (p pathSetup) meterText() string {
	return fmt.Sprintf("Join the output of the generator %s to the sensor of the power meter %s, with the cable that goes to the path later: its end is where the path begins.",
		p.bench.Generator, p.bench.PowerMeter)
}

// connector names where the path belongs.
func (p pathSetup) connector() string {
	of := ""
	if p.serial != "" {
		of = " of " + p.serial
	}
	return fmt.Sprintf("connector %d%s in slot %d", p.request.Connector, of, p.request.Slot)
}

// pathText has the generator joined to the path.
func (p pathSetup) pathText() string {
	if p.bench.ByHand() {
		return fmt.Sprintf("Take the end of the measuring cable of %s that goes to %s, and join it to the cable of the generator in the place of the power meter.",
			p.bench.Name, p.connector())
	}
	return fmt.Sprintf("Take the path off %s of %s, and join its end to the cable of the generator in the place of the power meter.", p.connector(), p.bench.Name)
}

// backText has the path back where it belongs.
func (p pathSetup) backText() string {
	if p.bench.ByHand() {
		return fmt.Sprintf("Take the measuring cable of %s off the cable of the generator. Runs ask for it again.", p.bench.Name)
	}
	return fmt.Sprintf("Take the path off the cable of the generator, and put it back onto %s of %s.", p.connector(), p.bench.Name)
}
