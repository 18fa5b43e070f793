package procedure

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

// Accuracy is what is known of a bench beside the correction of its paths. A
// field that is zero is not known and adds nothing: what it stands for then has
// to be in the uncertainty of the correction.
type Accuracy struct {
	Level         rf.DB   // expanded uncertainty (k = 2) of a level that the analyzer reads
	InputSWR      float64 // standing wave ratio of the analyzer's input, 1 or more
	PathSWR       float64 // of both ends of the signal path
	OutputSWR     float64 // of the radio unit's connector
	Repeatability rf.DB   // standard deviation over repeated connections
	Repeats       int     // connections it was seen in; zero: it is known as it stands
}

// pathKnown is how well the correction of a path is known in a range.
type pathKnown struct {
	expanded rf.DB // k = 2, greatest of the rows
	between  rf.DB // greatest error of a straight line between two rows
}

// pathIn returns how well the correction is known in r.
func (s Setup) pathIn(r rf.Range) (pathKnown, error) {
	u, err := s.pathUncertainty(r)
	return pathKnown{u, betweenRows(s.Correction, r)}, err
}

// betweenRows returns how far the path may lie beside the straight lines between
// the rows of its table that meet r. What a row shows when it is left out, its
// distance from the line through its neighbours, is what a line misses over the
// whole of their span; over a part of it that is less by the square of the part
// (for rows equally far apart an eighth of the second difference). A table of
// two rows shows nothing.
func betweenRows(c rf.Correction, r rf.Range) rf.DB {
	greatest := 0.0
	for i := 1; i < len(c)-1; i++ {
		a, b, d := c[i-1], c[i], c[i+1]
		span := float64(d.Frequency - a.Frequency)
		line := float64(a.Loss) + float64(d.Loss-a.Loss)*float64(b.Frequency-a.Frequency)/span
		beside := math.Abs(float64(b.Loss) - line)
		for _, part := range []rf.Range{{Low: a.Frequency, High: b.Frequency}, {Low: b.Frequency, High: d.Frequency}} {
			if part.High > r.Low && part.Low < r.High {
				share := float64(part.Width()) / span
				greatest = max(greatest, beside*share*share)
			}
		}
	}
	return rf.DB(greatest)
}

// parts lists what moves a level of this bench whatever is measured, the
// correction of the path first.
func (a Accuracy) parts(path pathKnown) ([]uncertainty.Part, error) {
	parts := []uncertainty.Part{{Name: "path correction", Kind: uncertainty.Normal, Value: float64(path.expanded)}}
	if path.between > 0 {
		parts = append(parts, uncertainty.Part{Name: "path between the rows of its table", Kind: uncertainty.Rectangular, Value: float64(path.between)})
	}
	if a.Level > 0 {
		parts = append(parts, uncertainty.Part{Name: "analyzer level", Kind: uncertainty.Normal, Value: float64(a.Level)})
	}
	for _, m := range []struct {
		name     string
		one, two float64
	}{{"mismatch unit to path", a.OutputSWR, a.PathSWR}, {"mismatch path to analyzer", a.PathSWR, a.InputSWR}} {
		if m.one == 0 || m.two == 0 {
			continue
		}
		rho1, err := uncertainty.ReflectionOfSWR(m.one)
		if err != nil {
			return nil, err
		}
		rho2, err := uncertainty.ReflectionOfSWR(m.two)
		if err != nil {
			return nil, err
		}
		parts = append(parts, uncertainty.Mismatch(m.name, rho1, rho2))
	}
	return parts, nil
}

// repeated is the part of connecting once more; none where it is not known.
func (a Accuracy) repeated() []uncertainty.Part {
	if a.Repeatability <= 0 {
		return nil
	}
	p := uncertainty.Part{Name: "repeatability of the connection", Kind: uncertainty.Repeated, Value: float64(a.Repeatability)}
	if a.Repeats > 1 {
		p.DegreesOfFreedom = float64(a.Repeats - 1)
	}
	return []uncertainty.Part{p}
}

// scatter is the part of the noise-like signal itself in a figure that rests on
// n independent samples; none where that is not known, as with traces from
// elsewhere.
func scatter(name string, n float64) []uncertainty.Part {
	if !(n > 0) {
		return nil
	}
	return []uncertainty.Part{{Name: name, Kind: uncertainty.Standard, Value: float64(uncertainty.Scatter(n))}}
}

// samplesIn returns how many independent samples of noise a figure over a
// bandwidth rests on, by what the sweep asked for; zero where it says nothing.
// A figure that is one point of the trace has those of that point.
func (t Trace) samplesIn(bandwidth rf.Hertz) float64 {
	w := t.Sweep
	if w.Points < 2 || w.SweepTime <= 0 {
		return 0
	}
	step := (w.Stop - w.Start) / rf.Hertz(w.Points-1)
	dwell := w.SweepTime.Seconds() * float64(max(w.Averages, 1)) / float64(w.Points)
	return dwell * float64(w.RBW) * max(1, float64(bandwidth/step))
}

// levelBudget is the budget of one level in dB.
func (s Setup) levelBudget(path pathKnown, n float64) (*uncertainty.Budget, error) {
	parts, err := s.Accuracy.parts(path)
	if err != nil {
		return nil, fmt.Errorf("procedure: %w", err)
	}
	parts = append(parts, s.Accuracy.repeated()...)
	return combined(append(parts, scatter("scatter of the signal", n)...))
}

// ratioBudget is the budget of the ratio of two levels in one trace, in dB. Both
// levels err on their own: the correction was measured at each frequency, and
// how much of the analyzer's error two levels share that stand a channel and
// some 45 dB apart is in no certificate. The connection is the same for both and
// drops out.
func (s Setup) ratioBudget(carrier, adjacent pathKnown, nCarrier, nAdjacent float64) (*uncertainty.Budget, error) {
	var all []uncertainty.Part
	for _, side := range []struct {
		name        string
		path        pathKnown
		n           float64
		sensitivity float64
	}{{"carrier", carrier, nCarrier, 1}, {"adjacent channel", adjacent, nAdjacent, -1}} {
		parts, err := s.Accuracy.parts(side.path)
		if err != nil {
			return nil, fmt.Errorf("procedure: %w", err)
		}
		for _, p := range append(parts, scatter("scatter of the signal", side.n)...) {
			p.Name, p.Sensitivity = p.Name+", "+side.name, side.sensitivity
			all = append(all, p)
		}
	}
	return combined(all)
}

// widthBudget is the budget of an occupied bandwidth in hertz. Each crossing is
// somewhere within its step; the power beyond it scatters, and moves it by that
// share of itself. A level error moves all of the trace and drops out.
func widthBudget(step, bandwidth rf.Hertz, n float64) (*uncertainty.Budget, error) {
	parts := []uncertainty.Part{
		{Name: "lower crossing within its step", Kind: uncertainty.Rectangular, Value: float64(step / 2)},
		{Name: "upper crossing within its step", Kind: uncertainty.Rectangular, Value: float64(step / 2)},
	}
	if n > 0 {
		moved := occupiedOutside * float64(bandwidth) / math.Sqrt(n)
		for _, name := range []string{"scatter of the power below", "scatter of the power above"} {
			parts = append(parts, uncertainty.Part{Name: name, Kind: uncertainty.Standard, Value: moved})
		}
	}
	return combined(parts)
}

func combined(parts []uncertainty.Part) (*uncertainty.Budget, error) {
	b, err := uncertainty.Combine(parts)
	if err != nil {
		return nil, fmt.Errorf("procedure: %w", err)
	}
	return &b, nil
}

// spans returns the budgets of a series over r, one wherever the uncertainty of
// the correction changes, and the greatest expanded uncertainty.
func (s Setup) spans(r rf.Range, n float64) ([]conformance.Span, float64, error) {
	whole, err := s.pathIn(r)
	if err != nil {
		return nil, 0, err
	}
	ends := []rf.Hertz{}
	for _, p := range s.Correction {
		if p.Frequency > r.Low && p.Frequency < r.High {
			ends = append(ends, p.Frequency)
		}
	}
	var spans []conformance.Span
	greatest, before, low := 0.0, rf.DB(-1), r.Low
	for _, end := range append(ends, r.High) {
		path, err := s.pathUncertainty(rf.Range{Low: low, High: end})
		if err != nil {
			return nil, 0, err
		}
		if low = end; path == before {
			spans[len(spans)-1].To = end
			continue
		}
		b, err := s.levelBudget(pathKnown{path, whole.between}, n)
		if err != nil {
			return nil, 0, err
		}
		spans, greatest, before = append(spans, conformance.Span{To: end, Budget: b}), max(greatest, b.Expanded), path
	}
	return spans, greatest, nil
}

// series makes the reading of a level over frequency with its budgets. A trace
// that is integrated has the samples of the whole filter, any other those of one
// point.
func (s Setup) series(r conformance.Requirement, t Trace, found *conformance.Series) (conformance.Reading, error) {
	n := t.samplesIn(0)
	if integrates(t.Spectrum, r.MeasurementBandwidth) {
		n = t.samplesIn(r.MeasurementBandwidth)
	}
	spans, greatest, err := s.spans(r.Frequencies, n)
	return conformance.Reading{Key: r.Key, Series: found, Uncertainty: greatest, Spans: spans}, err
}
