package procedure

import (
	"context"
	"math"
	"slices"
	"strings"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// spoilers make of a sound trace one that is no answer to its sweep. Judged all
// the same, most of them would hide what stands in the part that is missing.
var spoilers = []struct {
	name, want string
	spoil      func(*Trace)
}{
	{"a point short", "points, asked were", func(t *Trace) { t.Spectrum.Levels = t.Spectrum.Levels[1:] }},
	{"a point more", "points, asked were", func(t *Trace) { t.Spectrum.Levels = append(t.Spectrum.Levels, -90) }},
	{"nothing", "0 points", func(t *Trace) { t.Spectrum.Levels = nil }},
	{"shifted by a point", "runs from", func(t *Trace) { t.Spectrum.Start += t.Spectrum.Step }},
	{"stretched", "runs from", func(t *Trace) { t.Spectrum.Step *= 1.001 }},
	{"backwards", "must be positive", func(t *Trace) { t.Spectrum.Start, t.Spectrum.Step = t.Spectrum.Stop(), -t.Spectrum.Step }},
	{"wide filter", "through a filter of", func(t *Trace) { t.Spectrum.RBW *= 3 }},
	{"no filter", "must be positive", func(t *Trace) { t.Spectrum.RBW = 0 }},
	{"NaN", "not a measured level", func(t *Trace) { t.Spectrum.Levels[7] = math.NaN() }},
	{"not a number of SCPI", "not a measured level", func(t *Trace) { t.Spectrum.Levels[7] = 9.91e37 }},
	{"infinity of SCPI as 32 bits", "not a measured level", func(t *Trace) { t.Spectrum.Levels[7] = float64(float32(9.9e37)) }},
	{"infinity of SCPI, negative", "not a measured level", func(t *Trace) { t.Spectrum.Levels[7] = -9.9e37 }},
}

// Neither the bench nor stored evidence gives figures from a trace that does not
// answer its sweep, whatever the clause.
func TestSpoiltTraces(t *testing.T) {
	s := kinds()[0].setup(t, conformance.Middle)
	for _, clause := range conformance.Clauses() {
		planned, err := Plan(clause, s)
		if err != nil {
			t.Fatal(err)
		}
		planned = planned[:1]
		sound, err := Acquire(t.Context(), source(s, 60), planned)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range spoilers {
			t.Run(clause+" "+c.name, func(t *testing.T) {
				spoilt := sound[0]
				spoilt.Spectrum.Levels = slices.Clone(spoilt.Spectrum.Levels)
				c.spoil(&spoilt)
				if _, err := Acquire(t.Context(), answer{spoilt.Spectrum}, planned); err == nil || !strings.Contains(err.Error(), c.want) {
					t.Errorf("acquired with %v, want %q", err, c.want)
				}
				if _, err := Analyze(clause, s, []Trace{spoilt}); err == nil || !strings.Contains(err.Error(), c.want) {
					t.Errorf("analyzed with %v, want %q", err, c.want)
				}
			})
		}
	}
}

// answer gives the same trace whatever is asked.
type answer struct{ trace rf.Spectrum }

func (a answer) Sweep(context.Context, rf.Sweep) (rf.Spectrum, error) { return a.trace, nil }

// Evidence of a TDD carrier that was taken without a gate is not judged: averaged
// over the OFF period, every emission reads 1.29 dB low.
func TestTracesWithoutGate(t *testing.T) {
	s := kinds()[0].setup(t, conformance.Middle)
	for _, clause := range conformance.Clauses() {
		open := s
		open.Duplex = "FDD"
		planned, err := Plan(clause, open)
		if err != nil {
			t.Fatal(err)
		}
		traces, err := Acquire(t.Context(), source(s, 60), planned)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Analyze(clause, s, traces); err == nil || !strings.Contains(err.Error(), "without a gate") {
			t.Errorf("%s: analyzed with %v, want a complaint about the gate", clause, err)
		}
	}
}
