package bringup

import (
	"context"
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// lookLow looks at the carriers 40 dB below full power, before anything can be
// overdriven by them, and keeps what it saw.
func (t Task) lookLow(low *Sight) func(context.Context) (string, error) {
	return func(ctx context.Context) (string, error) {
		s, err := t.Bench.Look(ctx)
		if err != nil {
			return "", err
		}
		*low = s
		return t.judge(s, lowPower)
	}
}

// settle waits until the power holds still and judges it: where it stands, and by
// how much it has risen since the look at low power, if there was one.
func (t Task) settle(low *Sight) Step {
	var last Sight
	return Step{
		Name: "settle", Timeout: sight, Waits: true,
		Do: func(ctx context.Context) (string, error) {
			before, err := t.Bench.Look(ctx)
			for wait := firstPause; err == nil; wait = min(2*wait, mostPause) {
				if last, err = t.Bench.Look(ctx); err != nil {
					break
				}
				if off := last.Power.Sub(before.Power); max(off, -off) < steady {
					return "", nil
				}
				before, err = last, pause(ctx, wait)
			}
			return "", err
		},
		Holds: func(context.Context) (string, error) {
			detail, err := t.judge(last, 0)
			if err != nil || math.IsNaN(float64(low.Power)) {
				return detail, err
			}
			rise := last.Power.Sub(low.Power)
			if off := rise - lowPower; max(off, -off) > tolerated {
				return "", fmt.Errorf("bringup: the power rose by %s from low to full, want %s: does the attenuator of the unit work?", rise, lowPower)
			}
			return detail, nil
		},
	}
}

// judge says whether what was seen are the carriers, with that much attenuation in
// the unit. One that is too weak may be what is to be found out, and is measured.
func (t Task) judge(s Sight, attenuated rf.DB) (string, error) {
	want := t.Carriers[0].Power
	for _, c := range t.Carriers {
		want = min(want, c.Power)
	}
	want = want.Add(-attenuated)
	off := s.Power.Sub(want)
	switch {
	case !(off >= -sensible):
		return "", fmt.Errorf("bringup: %s at the connector, want %s: no carrier arrives; look at cable, switch and unit", s.Power, want)
	case off > tolerated:
		return "", fmt.Errorf("bringup: %s at the connector, want %s: too strong for the bench", s.Power, want)
	case !(math.Abs(s.Off) <= astray):
		return "", fmt.Errorf("bringup: the middle of the carrier at %s is off by %.1f %% of its bandwidth: it is not where it was told to be", s.At, 100*s.Off)
	}
	said := fmt.Sprintf("%s at the connector", s.Power)
	if off < -tolerated {
		said += fmt.Sprintf(", %s below what it was told: measured all the same", -off)
	}
	return said, nil
}

// Middle returns the frequency below which half of the power in r stands.
func Middle(s rf.Spectrum, r rf.Range) rf.Hertz {
	total := 0.0
	each(s, r, func(_ int, mw float64) { total += mw })
	at, below := r.Low, 0.0
	each(s, r, func(i int, mw float64) {
		if below < total/2 && below+mw >= total/2 {
			at = s.Frequency(i)
		}
		below += mw
	})
	return at
}

// each calls f for the points of a spectrum inside r, in milliwatts.
func each(s rf.Spectrum, r rf.Range, f func(i int, mw float64)) {
	for i, level := range s.Levels {
		if r.Contains(s.Frequency(i)) {
			f(i, math.Pow(10, level/10))
		}
	}
}
