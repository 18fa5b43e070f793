package analyzer

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"benchyard/instruments/rf"
)

// relief is how much attenuation is added when the input was overdriven.
const relief rf.DB = 10

// Sweep takes one trace. Sweeps with more points than the analyzer can hold are
// taken in parts at the same spacing and joined. A part whose input was
// overdriven is taken again with 10 dB more attenuation, and so are those after
// it, up to what the attenuator has: the trace says with how much. A trace is
// returned only when it is a measurement: an input that is still overdriven is
// ErrOverload, a lost reference ErrReference, points that are no numbers or too
// few an error. The context interrupts a sweep at once; the analyzer is told to
// abort when the session is used next.
func (a *Analyzer) Sweep(ctx context.Context, s rf.Sweep) (rf.Spectrum, error) {
	if err := a.check(s); err != nil {
		return rf.Spectrum{}, err
	}
	whole := rf.Spectrum{Levels: make([]float64, 0, s.Points)}
	added := rf.DB(0)
	for _, part := range split(s, a.maxPoints()) {
		trace, err := a.take(ctx, a.relieved(part, added), whole.Levels)
		for errors.Is(err, ErrOverload) && a.attenuation(part.Attenuation+added) < a.maxAttenuation() {
			added += relief
			trace, err = a.take(ctx, a.relieved(part, added), whole.Levels)
		}
		if err != nil {
			return rf.Spectrum{}, fmt.Errorf("analyzer: sweep from %s to %s: %w", part.Start, part.Stop, err)
		}
		whole = trace // the attenuation only rises
	}
	whole.Start, whole.Step = s.Start, (s.Stop-s.Start)/rf.Hertz(s.Points-1)
	if err := whole.Validate(); err != nil {
		a.forget()
		return rf.Spectrum{}, fmt.Errorf("analyzer: sweep from %s to %s: %w", s.Start, s.Stop, err)
	}
	return whole, nil
}

// relieved is a sweep with more attenuation, and a reference level as much
// higher as the analyzer has it: the range behind the mixer moves along.
func (a *Analyzer) relieved(s rf.Sweep, added rf.DB) rf.Sweep {
	more := min(s.Attenuation+added, a.maxAttenuation()) - s.Attenuation
	s.Attenuation += more
	highest := rf.DBm(a.line.Table.Limits["max_reference_level"])
	s.ReferenceLevel = max(s.ReferenceLevel, min(s.ReferenceLevel+rf.DBm(more), highest))
	return s
}

func (a *Analyzer) maxPoints() int { return int(a.line.Table.Limits["max_points"]) }

// check reports a sweep that no analyzer could take.
func (a *Analyzer) check(s rf.Sweep) error {
	for _, x := range []float64{float64(s.Stop), float64(s.RBW), float64(s.VBW), float64(s.ReferenceLevel)} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("analyzer: sweep with %g among its settings", x)
		}
	}
	switch {
	case !(s.Start >= 0) || !(s.Stop > s.Start):
		return fmt.Errorf("analyzer: sweep from %s to %s does not rise", s.Start, s.Stop)
	case s.Points < 2:
		return fmt.Errorf("analyzer: sweep with %d points, want at least 2", s.Points)
	case !(s.RBW > 0) || s.VBW < 0 || s.SweepTime < 0 || s.Averages < 0:
		return fmt.Errorf("analyzer: sweep with bandwidths %s, %s, time %v, %d averages: none may be negative, RBW not zero",
			s.RBW, s.VBW, s.SweepTime, s.Averages)
	case !(s.Attenuation >= 0) || s.Attenuation > a.maxAttenuation():
		return fmt.Errorf("analyzer: attenuation %s is not within 0 and %s", s.Attenuation, a.maxAttenuation())
	case s.Gate != nil && (s.Gate.Delay < 0 || s.Gate.Length <= 0 || s.Gate.Period < s.Gate.Length):
		return fmt.Errorf("analyzer: gate of %v after %v does not fit its period %v", s.Gate.Length, s.Gate.Delay, s.Gate.Period)
	}
	return nil
}

// split cuts a sweep into parts of at most limit points, about equally long, on
// one grid. A set sweep time is shared out by points.
func split(s rf.Sweep, limit int) []rf.Sweep {
	n := (s.Points + limit - 1) / limit
	step := (s.Stop - s.Start) / rf.Hertz(s.Points-1)
	var parts []rf.Sweep
	for i := range n {
		first, end := i*s.Points/n, (i+1)*s.Points/n
		part := s
		part.Points = end - first
		part.Start = s.Start + rf.Hertz(first)*step
		part.Stop = s.Start + rf.Hertz(end-1)*step
		part.SweepTime = time.Duration(float64(s.SweepTime) * float64(part.Points) / float64(s.Points))
		parts = append(parts, part)
	}
	return parts
}

// take runs one sweep and appends its points to levels. After any failure but an
// overload the settings count as unknown.
func (a *Analyzer) take(ctx context.Context, s rf.Sweep, levels []float64) (rf.Spectrum, error) {
	if err := a.apply(ctx, s); err != nil {
		a.forget()
		return rf.Spectrum{}, err
	}
	trace, err := a.run(ctx, s, levels)
	if err == nil && a.line.Session.Generation() != a.of {
		err = errors.New("the connection was lost while the sweep ran")
	}
	if err != nil {
		if !errors.Is(err, ErrOverload) {
			a.forget()
		}
		return rf.Spectrum{}, err
	}
	return trace, nil
}

// run starts the sweep, waits for its end and fetches the trace. With it come
// the settings it was taken with: somebody at the front panel may have changed them.
func (a *Analyzer) run(ctx context.Context, s rf.Sweep, levels []float64) (rf.Spectrum, error) {
	// ABORt first: what was left in a connection that was given up may still
	// have started a sweep, and INITiate is ignored then (-213).
	table, session := a.line.Table, a.line.Session
	begin, err := table.Script().Set("abort", nil).Set("sweep", nil).Units()
	if err != nil {
		return rf.Spectrum{}, err
	}
	if err := session.Wait(ctx, a.duration(s)+table.Timeout("sweep"), begin...); err != nil {
		return rf.Spectrum{}, err
	}
	status, err := table.Script().Ask("overload", "reference_locked").Units()
	if err != nil {
		return rf.Spectrum{}, err
	}
	settings, err := table.Script().Ask(relied()...).Units()
	if err != nil {
		return rf.Spectrum{}, err
	}
	got, err := a.line.Fetch(ctx, "trace", levels, slices.Concat(status, []string{errorQuery}, settings)...)
	if err != nil {
		return rf.Spectrum{}, err
	}
	if err := a.judge(ctx, got.Answers[0], got.Answers[1], got.Answers[2]); err != nil {
		return rf.Spectrum{}, err
	}
	if err := a.compare(s, got.Answers[3:]); err != nil {
		return rf.Spectrum{}, err
	}
	if got.Err != nil {
		return rf.Spectrum{}, got.Err
	}
	if points := len(got.Numbers) - len(levels); points != s.Points {
		return rf.Spectrum{}, fmt.Errorf("trace has %d points, want %d", points, s.Points)
	}
	return rf.Spectrum{
		Levels: got.Numbers, RBW: a.actual.rbw, NoiseBandwidth: a.actual.rbw * rf.Hertz(a.NoiseFactor),
		Attenuation: a.attenuation(s.Attenuation),
	}, nil
}

// judge says whether what the analyzer tells of the sweep lets its trace stand.
func (a *Analyzer) judge(ctx context.Context, overload, locked, queued []byte) error {
	if err := a.refused(ctx, queued); err != nil {
		return err
	}
	over, err := a.line.Table.Bool("overload", overload)
	if err != nil {
		return err
	}
	if over {
		return fmt.Errorf("%w; more attenuation is needed, or less power", ErrOverload)
	}
	if follows, err := a.line.Table.Bool("reference_locked", locked); err != nil || !follows {
		return fmt.Errorf("%w; check the reference cable", cmp.Or(err, ErrReference))
	}
	return nil
}
