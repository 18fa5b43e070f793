package analyzer

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
)

// setup is one sweep's settings as commands, in groups that are sent together
// when one of them changes: start and stop push each other, gate and trigger
// belong to one another. Commands of a group are joined by ';'.
type setup [7]string

// Places in a setup. The attenuator comes first: it protects what follows.
const (
	placeLevel = iota
	placeFrequency
	placeFilter
	placePoints
	placeTime
	placeAverage
	placeGate
)

// actual is what the analyzer made of a setup.
type actual struct {
	rbw   rf.Hertz
	sweep time.Duration // one sweep without gate; zero when the analyzer does not say
}

// commands translates a sweep. A zero VBW is 3 x RBW, the widest that costs no
// sweep time and leaves the RMS detector unbiased.
func (a *Analyzer) commands(s rf.Sweep) (setup, error) {
	var c setup
	var failed error
	group := func(place int, script *dialect.Script) {
		units, err := script.Units()
		c[place], failed = strings.Join(units, ";"), errors.Join(failed, err)
	}
	say := a.line.Table.Script
	group(placeLevel, say().Set("attenuation", one("attenuation", float64(a.attenuation(s.Attenuation)))).
		Set("reference_level", one("level", float64(s.ReferenceLevel))))
	group(placeFrequency, say().Set("start_frequency", one("frequency", float64(s.Start))).
		Set("stop_frequency", one("frequency", float64(s.Stop))))
	group(placeFilter, say().Set("resolution_bandwidth", one("bandwidth", float64(s.RBW))).
		Set("video_bandwidth", one("bandwidth", float64(cmp.Or(s.VBW, 3*s.RBW)))))
	group(placePoints, say().Set("points", dialect.Values{"points": dialect.Count(s.Points)}))
	if s.SweepTime > 0 {
		group(placeTime, say().Set("sweep_time", one("time", s.SweepTime.Seconds())))
	} else {
		group(placeTime, say().Set("sweep_time_coupled", nil))
	}
	if s.Averages > 1 {
		group(placeAverage, say().Set("average", dialect.Values{"count": dialect.Count(s.Averages)}))
	} else {
		group(placeAverage, say().Set("average_off", nil))
	}
	if g := s.Gate; g != nil {
		group(placeGate, say().Set("gate_on", dialect.Values{
			"delay": dialect.Real(g.Delay.Seconds()), "length": dialect.Real(g.Length.Seconds()),
		}))
	} else {
		group(placeGate, say().May("gate_off", nil))
	}
	return c, failed
}

// one is the value of the only placeholder of a setting.
func one(param string, x float64) dialect.Values { return dialect.Values{param: dialect.Real(x)} }

// attenuation rounds up to what the attenuator can do: more is safe, less is not.
func (a *Analyzer) attenuation(db rf.DB) rf.DB {
	step := a.line.Table.Limits["attenuation_step"]
	return min(rf.DB(math.Ceil(float64(db)/step-1e-9)*step), a.maxAttenuation())
}

// apply sends what differs from the settings in force, and with it asks for the
// error queue and for what a measurement relies on: one round trip, as far as
// the instrument's input buffer goes.
func (a *Analyzer) apply(ctx context.Context, s rf.Sweep) error {
	wanted, err := a.commands(s)
	if err == nil {
		err = a.line.Session.Ready(ctx)
	}
	if err != nil {
		return err
	}
	if generation := a.line.Session.Generation(); generation != a.of {
		a.forget()
		a.of = generation
	}
	if wanted == a.set {
		return nil
	}
	var units []string
	for i, group := range wanted {
		if group != a.set[i] && group != "" {
			units = append(units, strings.Split(group, ";")...)
		}
	}
	a.forget() // until it is known that all of it took effect
	asked, err := a.line.Table.Script().Ask(relied()...).Ask("sweep_time").Units()
	if err != nil {
		return err
	}
	answers, err := a.line.Session.Exchange(ctx, 0, slices.Concat(units, []string{errorQuery}, asked)...)
	if err == nil {
		err = a.refused(ctx, answers[0])
	}
	if err == nil {
		err = a.noteSettings(s, answers[1:])
	}
	if err != nil {
		return fmt.Errorf("analyzer: settings: %w", err)
	}
	if a.line.Session.Generation() != a.of {
		return fmt.Errorf("analyzer: settings: the connection was lost between setting and reading back")
	}
	a.set = wanted
	return nil
}

// errorQuery reads and removes the oldest entry of the error queue.
const errorQuery = ":SYST:ERR?"

// refused turns an answer of the error queue into an error, nil for no entry;
// whatever else is in the queue is removed.
func (a *Analyzer) refused(ctx context.Context, queued []byte) error {
	entry, err := scpi.ParseError(string(queued))
	if err != nil {
		return fmt.Errorf("%w: %w", scpi.ErrAnswer, err)
	}
	if entry.Number == 0 {
		return nil
	}
	if _, err := a.line.Session.DrainErrors(ctx); err != nil {
		return fmt.Errorf("%w; then: %w", &entry, err)
	}
	return &entry
}

// relied are the settings a measurement relies on.
func relied() []string {
	return []string{"start_frequency", "stop_frequency", "points", "attenuation", "resolution_bandwidth"}
}

// noteSettings compares the settings read back, and notes the sweep time behind them.
func (a *Analyzer) noteSettings(s rf.Sweep, answers [][]byte) error {
	last := len(answers) - 1
	seconds, err := a.number("sweep_time", answers[last])
	if err != nil {
		return err
	}
	a.actual.sweep = time.Duration(min(max(seconds, 0), longest) * float64(time.Second))
	return a.compare(s, answers[:last])
}

// compare looks whether the answers to the relied queries are what s wants, and
// notes the resolution bandwidth. An analyzer may choose a neighbouring
// bandwidth within 10 %: the trace then says which.
func (a *Analyzer) compare(s rf.Sweep, answers [][]byte) error {
	asked := relied()
	bin := float64(s.Stop-s.Start) / float64(s.Points-1)
	for i, check := range []struct{ want, within float64 }{
		{float64(s.Start), bin / 100}, {float64(s.Stop), bin / 100}, {float64(s.Points), 0},
		{float64(a.attenuation(s.Attenuation)), 0.01}, {float64(s.RBW), 0.1 * float64(s.RBW)},
	} {
		got, err := a.number(asked[i], answers[i])
		if err != nil {
			return err
		}
		if math.Abs(got-check.want) > check.within {
			return fmt.Errorf("%s reads back %g, want %g: %w", asked[i], got, check.want, ErrSettings)
		}
		a.actual.rbw = rf.Hertz(got) // the last of them
	}
	return nil
}

// number reads a setting back; one that is no number leaves nothing to rely on.
func (a *Analyzer) number(capability string, answer []byte) (float64, error) {
	x, err := a.line.Table.Number(capability, answer)
	if errors.Is(err, scpi.ErrNotMeasured) {
		err = fmt.Errorf("%w: %w", scpi.ErrAnswer, err)
	}
	return x, err
}

// longest bounds the time of a sweep, in seconds.
const longest = 1e6

// duration returns how long the averages of a sweep may take at most: the time
// the analyzer states, not less than the time its filters need, stretched by the
// gate, with half as much again for retrace and settling.
func (a *Analyzer) duration(s rf.Sweep) time.Duration {
	slowest := s.RBW
	if s.VBW > 0 {
		slowest = min(slowest, s.VBW)
	}
	// 2.5 x span / RBW^2 is the usual coupling for near-Gaussian filters.
	coupled := 2.5 * float64(s.Stop-s.Start) / (float64(s.RBW) * float64(slowest))
	seconds := max(coupled, s.SweepTime.Seconds(), a.actual.sweep.Seconds()) * float64(max(s.Averages, 1))
	if g := s.Gate; g != nil {
		seconds *= max(1, g.Period.Seconds()/g.Length.Seconds())
	}
	return time.Duration(min(1.5*seconds, longest) * float64(time.Second))
}
