package analyzer

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

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
func (a *Analyzer) commands(s rf.Sweep) setup {
	d := a.dialect
	set := func(template string, x float64) string { return fmt.Sprintf(template, scpi.FormatNumber(x)) }
	group := func(commands ...string) string { return strings.Join(commands, ";") }
	vbw := s.VBW
	if vbw == 0 {
		vbw = 3 * s.RBW
	}
	var c setup
	c[placeLevel] = group(set(d.Attenuation, float64(a.attenuation(s.Attenuation))), set(d.ReferenceLevel, float64(s.ReferenceLevel)))
	c[placeFrequency] = group(set(d.Start, float64(s.Start)), set(d.Stop, float64(s.Stop)))
	c[placeFilter] = group(set(d.RBW, float64(s.RBW)), set(d.VBW, float64(vbw)))
	c[placePoints] = set(d.Points, float64(s.Points))
	c[placeTime] = d.CoupleSweepTime
	if s.SweepTime > 0 {
		c[placeTime] = group(d.FixSweepTime, set(d.SweepTime, s.SweepTime.Seconds()))
	}
	c[placeAverage] = d.AverageOff
	if s.Averages > 1 {
		c[placeAverage] = group(set(d.AverageCount, float64(s.Averages)), d.AverageOn)
	}
	c[placeGate] = group(d.GateOff, d.TriggerImmediate)
	if g := s.Gate; g != nil {
		c[placeGate] = group(d.TriggerExternal, set(d.GateDelay, g.Delay.Seconds()), set(d.GateLength, g.Length.Seconds()), d.GateOn)
	}
	return c
}

// attenuation rounds up to what the attenuator can do: more is safe, less is not.
func (a *Analyzer) attenuation(db rf.DB) rf.DB {
	step := float64(a.limits.AttenuationStep)
	return rf.DB(math.Ceil(float64(db)/step-1e-9) * step)
}

// apply sends what differs from the settings in force and reads back what a
// measurement relies on.
func (a *Analyzer) apply(ctx context.Context, s rf.Sweep) error {
	if err := a.session.Ready(ctx); err != nil {
		return err
	}
	if generation := a.session.Generation(); generation != a.of {
		a.forget()
		a.of = generation
	}
	wanted := a.commands(s)
	if wanted == a.set {
		return nil
	}
	var changed []string
	for i, group := range wanted {
		if group != a.set[i] {
			changed = append(changed, strings.Split(group, ";")...)
		}
	}
	a.forget() // until it is known that all of it took effect
	if err := a.session.Command(ctx, changed...); err != nil {
		return fmt.Errorf("analyzer: settings: %w", err)
	}
	if err := a.readBack(ctx, s); err != nil {
		return err
	}
	if a.session.Generation() != a.of {
		return fmt.Errorf("analyzer: settings: the connection was lost between setting and reading back")
	}
	a.set = wanted
	return nil
}

// readBack compares the settings and notes the sweep time.
func (a *Analyzer) readBack(ctx context.Context, s rf.Sweep) error {
	answers, err := a.session.Exchange(ctx, 0, append(a.dialect.relied(), a.dialect.AskSweepTime)...)
	if err != nil {
		return fmt.Errorf("analyzer: read back: %w", err)
	}
	last := len(answers) - 1
	seconds, err := number(a.dialect.AskSweepTime, answers[last])
	if err != nil {
		return err
	}
	a.actual.sweep = time.Duration(min(max(seconds, 0), longest) * float64(time.Second))
	return a.compare(s, answers[:last])
}

// relied are the queries of what a measurement relies on.
func (d Dialect) relied() []string {
	return []string{d.AskStart, d.AskStop, d.AskPoints, d.AskAttenuation, d.AskRBW}
}

// compare looks whether the answers to the relied queries are what s wants, and
// notes the resolution bandwidth. An analyzer may choose a neighbouring
// bandwidth within 10 %: the trace then says which.
func (a *Analyzer) compare(s rf.Sweep, answers [][]byte) error {
	queries := a.dialect.relied()
	bin := float64(s.Stop-s.Start) / float64(s.Points-1)
	for i, check := range []struct{ want, within float64 }{
		{float64(s.Start), bin / 100}, {float64(s.Stop), bin / 100}, {float64(s.Points), 0},
		{float64(a.attenuation(s.Attenuation)), 0.01}, {float64(s.RBW), 0.1 * float64(s.RBW)},
	} {
		got, err := number(queries[i], answers[i])
		if err != nil {
			return err
		}
		if math.Abs(got-check.want) > check.within {
			return fmt.Errorf("analyzer: %s answers %g, want %g: %w", queries[i], got, check.want, ErrSettings)
		}
		a.actual.rbw = rf.Hertz(got) // the last of them
	}
	return nil
}

func number(query string, answer []byte) (float64, error) {
	x, err := scpi.ParseNumber(answer, "")
	if err != nil || math.Abs(x) >= scpi.SpecialNumber {
		return 0, fmt.Errorf("analyzer: %s answers %.40q: %w", query, answer, scpi.ErrAnswer)
	}
	return x, nil
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
