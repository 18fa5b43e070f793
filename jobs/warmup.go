package jobs

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"time"

	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/jobs/bringup"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
)

// drift is how temperature and power move while a unit warms up.
type drift struct {
	power []rf.DBm
	at    []time.Duration // since the start, of each temperature
	warm  []float64       // degrees Celsius
}

// mostReadings is how many temperatures make the slope, leastReadings how few:
// units print tenths of a degree.
const mostReadings, leastReadings = 7, 3

// step returns by how much the two last powers differ; infinite before there are two.
func (d *drift) step() rf.DB {
	n := len(d.power)
	if n < 2 {
		return rf.DB(math.Inf(1))
	}
	return rf.DB(math.Abs(float64(d.power[n-1].Sub(d.power[n-2]))))
}

// slope returns that of the straight line through the last temperatures, in kelvins a
// minute; infinite before there are enough.
func (d *drift) slope() plan.Slope {
	n := min(len(d.warm), mostReadings)
	if n < leastReadings {
		return plan.Slope(math.Inf(1))
	}
	at, warm := d.at[len(d.at)-n:], d.warm[len(d.warm)-n:]
	var t0, c0, tt, tc float64
	for i := range n {
		t0 += at[i].Minutes() / float64(n)
		c0 += warm[i] / float64(n)
	}
	for i := range n {
		t := at[i].Minutes() - t0
		tt += t * t
		tc += t * (warm[i] - c0)
	}
	return plan.Slope(tc / tt)
}

// read takes one reading of each.
func (d *drift) read(ctx context.Context, u *radiounit.RadioUnit, look func(context.Context) (bringup.Sight, error), since time.Time) error {
	sight, err := look(ctx)
	if err != nil {
		return err
	}
	d.power = append(d.power, sight.Power)
	if !u.Has(radiounit.Thermometer) {
		return nil
	}
	c, err := u.Temperature(ctx)
	if err != nil {
		return err
	}
	d.warm, d.at = append(d.warm, c), append(d.at, time.Since(since))
	return nil
}

// steady reports whether the plan calls this warm. Where there is no thermometer the
// power decides alone.
func (d *drift) steady(w plan.WarmUp, thermometer bool) bool {
	return d.step() < w.Slope && (!thermometer || d.level(w))
}

// level reports whether the temperature holds still.
func (d *drift) level(w plan.WarmUp) bool {
	return math.Abs(float64(d.slope())) <= float64(cmp.Or(w.TemperatureSlope, plan.DefaultTemperatureSlope))
}

// String says where it stands, for people.
func (d *drift) String() string {
	if len(d.power) == 0 && len(d.warm) == 0 {
		return "no reading yet"
	}
	text := "not looked at"
	if len(d.power) > 0 {
		text = d.power[len(d.power)-1].String()
	}
	if step := d.step(); !math.IsInf(float64(step), 0) {
		text += fmt.Sprintf(", moved by %s", step)
	}
	if len(d.warm) > 0 {
		text += fmt.Sprintf("; %.1f °C", d.warm[len(d.warm)-1])
		if s := d.slope(); !math.IsInf(float64(s), 0) {
			text += fmt.Sprintf(", %s", s)
		}
	}
	return text
}

// warmUp is the step in which the unit becomes steady, as the plan says, once after
// it was switched on. How far it is stands on the board.
func (t *tenure) warmUp(s *segment, u *radiounit.RadioUnit, setup procedure.Setup) bringup.Step {
	w, serial := s.plan.WarmUp, s.mount.unit.Serial
	look := func(ctx context.Context) (bringup.Sight, error) { return t.rig.look(ctx, setup, s.mount.analyzer.Name) }
	do := func(ctx context.Context) (string, error) {
		limit, cancel := context.WithTimeoutCause(ctx, w.Limit, nil)
		defer cancel()
		began, told := time.Now(), time.Time{}
		d, thermometer := &drift{}, u.Has(radiounit.Thermometer)
		if t.rig.set.heated { // its temperature held still while others were measured
			w.Minimum, thermometer = 0, false
		}
		pause(limit, nil, w.Minimum)
		for limit.Err() == nil {
			err := d.read(limit, u, look, began)
			switch {
			case err == nil && d.steady(w, thermometer):
				return d.String(), nil
			case err != nil && limit.Err() == nil:
				return "", err
			}
			if time.Since(told) >= time.Second {
				t.setActivity(ctx, BringUp, fmt.Sprintf("%s: warming up for %s of at most %s: %s", serial, time.Since(began).Round(time.Second), w.Limit, d), &s.run)
				told = time.Now()
			}
			pause(limit, nil, w.Interval)
		}
		if ctx.Err() != nil {
			return "", context.Cause(ctx)
		}
		return "", fmt.Errorf("%s is not warm after %s: %s", serial, w.Limit, d)
	}
	return bringup.Step{Name: "warm-up", Timeout: w.Limit + time.Minute, Waits: true, Do: do}
}
