package procedure

import (
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
)

// floorRole stands before the role of a sweep in that of its muted repetition.
const floorRole = "floor/"

// hasFloor reports whether the figures of a clause can be corrected. The edges of
// an occupied bandwidth move with everything below them: it never is. Nor is the
// transceiver health test, whose filters are narrow.
func hasFloor(clause string) bool {
	return clause != conformance.OccupiedBandwidthClause && !conformance.IsHealth(clause)
}

// muted repeats sweeps for the noise floor, with the same settings.
func muted(planned []Planned) []Planned {
	again := slices.Clone(planned)
	for i := range again {
		again[i].Role, again[i].Muted = floorRole+again[i].Role, true
	}
	return again
}

// parted separates the traces of a case from those of its noise floor, which get
// the roles of what they repeat.
func parted(traces []Trace) (levels, floor []Trace) {
	for _, t := range traces {
		if role, ok := strings.CutPrefix(t.Role, floorRole); ok {
			t.Role = role
			floor = append(floor, t)
			continue
		}
		levels = append(levels, t)
	}
	return levels, floor
}

// lessFloor analyzes the noise floor by the same method and takes it out.
func (m method) lessFloor(clause string, s Setup, requirements []conformance.Requirement, measured Measured, floor []Trace) ([]conformance.Reading, error) {
	noise, err := m.analyze(s, requirements, floor)
	if err != nil {
		return nil, fmt.Errorf("%w (in the noise floor)", err)
	}
	return CorrectFloor(clause, measured, Measured{floor, noise})
}

// Measured is what one clause gave: its traces, and the readings that Analyze
// made of them.
type Measured struct {
	Traces   []Trace
	Readings []conformance.Reading
}

// sameRun is how much the sensitivity of neighbouring points of a series may
// differ to share one budget, that of the greatest: a budget for each point of a
// spurious range would take longer than to judge it.
const sameRun = 1.1

// CorrectFloor returns the readings of a clause with the noise floor of the
// analyzer taken out of them, as power: floor is the same case with nothing but
// noise at the input, analyzed by the same method. Nothing calls it that was not
// asked to.
//
// Of a leakage ratio the level in the adjacent channel is corrected and the
// carrier left alone; a series is corrected point by point. What stands less
// than uncertainty.LeastOverFloor over the floor keeps its measured level. The
// uncertainty grows by the sensitivity, 1/(1 - 10^(-D/10)) at D dB over the
// floor (facts/metrology.md 4.8). Each reading keeps what was measured in Floor;
// those handed in are not changed.
//
// A floor on another grid, taken with other settings or above what it should be
// part of is uncertainty.ErrFloor, and so is the clause of the occupied
// bandwidth, which is never corrected.
func CorrectFloor(clause string, measured, floor Measured) ([]conformance.Reading, error) {
	if !hasFloor(clause) {
		return nil, fmt.Errorf("procedure: %s: %w: an occupied bandwidth is never corrected", clause, uncertainty.ErrFloor)
	}
	if err := sameTraces(measured.Traces, floor.Traces); err != nil {
		return nil, fmt.Errorf("procedure: %s: %w", clause, err)
	}
	if len(measured.Readings) != len(floor.Readings) {
		return nil, fmt.Errorf("procedure: %s: %w: it has %d readings, the case %d", clause, uncertainty.ErrFloor, len(floor.Readings), len(measured.Readings))
	}
	out := make([]conformance.Reading, 0, len(measured.Readings))
	for i, r := range measured.Readings {
		noise := floor.Readings[i]
		if noise.Key != r.Key {
			return nil, fmt.Errorf("procedure: %s: %w: its reading %s stands in the place of %s", clause, uncertainty.ErrFloor, noise.Key, r.Key)
		}
		correct := correctLevel
		switch {
		case clause == conformance.LeakageRatioClause:
			correct = correctRatio
		case r.Series != nil:
			correct = correctSeries
		}
		corrected, err := correct(r, noise)
		if err != nil {
			return nil, fmt.Errorf("procedure: %s: %w", r.Key, err)
		}
		out = append(out, corrected)
	}
	return out, nil
}

// sameTraces reports by what the sweeps of the floor differ from those of the case.
func sameTraces(measured, floor []Trace) error {
	for _, t := range measured {
		i := slices.IndexFunc(floor, func(f Trace) bool { return f.Role == t.Role })
		if i < 0 {
			return fmt.Errorf("%w: there is no sweep %q of it", uncertainty.ErrFloor, t.Role)
		}
		if err := uncertainty.SameSettings(t.Sweep, floor[i].Sweep); err != nil {
			return fmt.Errorf("sweep %q: %w", t.Role, err)
		}
		if err := sameGrid(t.Spectrum, floor[i].Spectrum); err != nil {
			return fmt.Errorf("sweep %q: %w", t.Role, err)
		}
	}
	return nil
}

// sameGrid reports by what the trace of a floor differs from that of a level:
// its points, to a hundredth of a step, or its filter.
func sameGrid(level, floor rf.Spectrum) error {
	slack := level.Step * unevenStep
	switch {
	case len(level.Levels) != len(floor.Levels) || !within(level.Start, floor.Start, slack) || !within(level.Stop(), floor.Stop(), slack):
		return fmt.Errorf("%w: it runs from %s to %s in %d points, the level from %s to %s in %d", uncertainty.ErrFloor,
			floor.Start, floor.Stop(), len(floor.Levels), level.Start, level.Stop(), len(level.Levels))
	case level.RBW != floor.RBW:
		return fmt.Errorf("%w: it was measured through a filter of %s, the level through %s", uncertainty.ErrFloor, floor.RBW, level.RBW)
	case level.NoiseBandwidth != floor.NoiseBandwidth:
		return fmt.Errorf("%w: its filter has a noise bandwidth of %s, that of the level %s", uncertainty.ErrFloor, floor.NoiseBandwidth, level.NoiseBandwidth)
	}
	return nil
}

// Validate reports the first reason why the trace, or its noise floor, cannot be
// computed with: a floor has the points and the filter of its trace, and does
// not stand above it.
func (e External) Validate() error {
	if err := e.Spectrum.Validate(); err != nil {
		return fmt.Errorf("procedure: trace %s: %w", e.Name, err)
	}
	if e.Floor == nil {
		return nil
	}
	err := e.Floor.Validate()
	if err == nil {
		err = sameGrid(e.Spectrum, *e.Floor)
	}
	if err == nil {
		err = below(e.Spectrum.Levels, e.Floor.Levels)
	}
	if err != nil {
		return fmt.Errorf("procedure: the floor of trace %s: %w", e.Name, err)
	}
	return nil
}

// lessFloor corrects one level in dBm and keeps it. A level too near to the
// floor stays, and its sensitivity is one.
func lessFloor(kept *conformance.FloorTaken, level, floor float64) (corrected, sensitivity float64, err error) {
	corrected, sensitivity, taken := level, 1.0, 0.0
	if !(rf.DB(level-floor) < uncertainty.LeastOverFloor) {
		c, err := uncertainty.CorrectFloor(uncertainty.Level{Value: rf.DBm(level)}, uncertainty.Level{Value: rf.DBm(floor)})
		if err != nil {
			return 0, 0, err
		}
		corrected, sensitivity, taken = float64(c.Corrected), c.Sensitivity, float64(c.Correction)
	}
	kept.Measured, kept.Floor, kept.Taken = append(kept.Measured, level), append(kept.Floor, floor), append(kept.Taken, taken)
	return corrected, sensitivity, nil
}

// mostAbove is how far noise alone may stand above the level it is part of, in dB:
// both scatter. House rule; common practice, no source.
const mostAbove = 1.0

// below reports that a floor stands above the levels it should be part of, by the
// median of all points: single ones scatter, and lines come and go.
func below(levels, floor []float64) error {
	above := make([]float64, len(levels))
	for i := range levels {
		above[i] = floor[i] - levels[i]
	}
	slices.Sort(above)
	if m := above[len(above)/2]; m > mostAbove {
		return fmt.Errorf("%w: it stands %.2f dB above the level that it should be part of; was the transmitter muted, and everything else left as it was?", uncertainty.ErrFloor, m)
	}
	return nil
}

// correctLevel corrects a power.
func correctLevel(r, floor conformance.Reading) (conformance.Reading, error) {
	kept := &conformance.FloorTaken{}
	if err := below([]float64{r.Value}, []float64{floor.Value}); err != nil {
		return r, err
	}
	level, sensitivity, err := lessFloor(kept, r.Value, floor.Value)
	if err != nil {
		return r, err
	}
	r.Value, r.CarrierPower, r.Floor = level, level, kept
	r.Budget, r.Uncertainty, err = steeper(r.Budget, r.Uncertainty, sensitivity, false)
	return r, err
}

// correctRatio corrects the level in the adjacent channel, carrier less ratio,
// and takes the ratio to what is left of it.
func correctRatio(r, floor conformance.Reading) (conformance.Reading, error) {
	kept := &conformance.FloorTaken{}
	level, noise := r.CarrierPower-r.Value, floor.CarrierPower-floor.Value
	if err := below([]float64{level}, []float64{noise}); err != nil {
		return r, err
	}
	adjacent, sensitivity, err := lessFloor(kept, level, noise)
	if err != nil {
		return r, err
	}
	if r.Floor = kept; kept.Taken[0] > 0 { // else not even rounding moves it
		r.Value = r.CarrierPower - adjacent
	}
	if r.Budget, r.Uncertainty, err = steeper(r.Budget, r.Uncertainty, sensitivity, true); err == nil {
		r.Absolute, _, err = steeper(r.Absolute, 0, sensitivity, false)
	}
	return r, err
}

// levelsAt returns the levels of a floor at other frequencies, between two points
// by their power: lines add points of their own to a series (see dsp.Refer), to
// that of the carrier others than to that of the noise. Nothing is extrapolated.
func levelsAt(s conformance.Series, frequencies []float64) ([]float64, error) {
	last := len(s.Frequencies) - 1
	slack := 2 * unevenStep * (s.Frequencies[last] - s.Frequencies[0]) / float64(max(last, 1))
	levels := make([]float64, len(frequencies))
	at := 0
	for i, f := range frequencies {
		if !(f >= s.Frequencies[0]-slack && f <= s.Frequencies[last]+slack) {
			return nil, fmt.Errorf("%w: it is known from %s to %s, the level at %s", uncertainty.ErrFloor, rf.Hertz(s.Frequencies[0]), rf.Hertz(s.Frequencies[last]), rf.Hertz(f))
		}
		for at < last && s.Frequencies[at+1] <= f {
			at++
		}
		if levels[i] = s.Levels[at]; at == last || f <= s.Frequencies[at] {
			continue
		}
		share := (f - s.Frequencies[at]) / (s.Frequencies[at+1] - s.Frequencies[at])
		one, other := rf.DBm(s.Levels[at]).Milliwatts(), rf.DBm(s.Levels[at+1]).Milliwatts()
		levels[i] = float64(rf.FromMilliwatts(one + share*(other-one)))
	}
	return levels, nil
}

// correctSeries corrects a level over frequency point by point.
func correctSeries(r, floor conformance.Reading) (conformance.Reading, error) {
	if floor.Series == nil || len(floor.Series.Levels) == 0 || len(r.Series.Levels) == 0 {
		return r, fmt.Errorf("%w: there is none over frequency", uncertainty.ErrFloor)
	}
	noise, err := levelsAt(*floor.Series, r.Series.Frequencies)
	if err != nil {
		return r, err
	}
	if err := below(r.Series.Levels, noise); err != nil {
		return r, err
	}
	kept := &conformance.FloorTaken{}
	levels, steep := make([]float64, len(r.Series.Levels)), make([]float64, len(r.Series.Levels))
	for i, v := range r.Series.Levels {
		if levels[i], steep[i], err = lessFloor(kept, v, noise[i]); err != nil {
			return r, err
		}
	}
	r.Series, r.Floor = &conformance.Series{Frequencies: r.Series.Frequencies, Levels: levels}, kept
	if len(r.Spans) == 0 {
		r.Budget, r.Uncertainty, err = steeper(r.Budget, r.Uncertainty, slices.Max(steep), false)
		return r, err
	}
	r.Spans, r.Uncertainty, err = steeperSpans(r.Spans, r.Series.Frequencies, steep)
	return r, err
}

// steeperSpans splits the budgets of a series where the sensitivity of its
// points changes, and returns the greatest expanded uncertainty beside them.
func steeperSpans(spans []conformance.Span, frequencies, steep []float64) ([]conformance.Span, float64, error) {
	var out []conformance.Span
	greatest, in := 0.0, 0
	for from := 0; from < len(steep); {
		for in < len(spans)-1 && rf.Hertz(frequencies[from]) > spans[in].To {
			in++
		}
		least, most, to := steep[from], steep[from], from+1
		for ; to < len(steep) && (in == len(spans)-1 || rf.Hertz(frequencies[to]) <= spans[in].To); to++ {
			low, high := min(least, steep[to]), max(most, steep[to])
			if high > sameRun*low {
				break
			}
			least, most = low, high
		}
		budget, expanded, err := steeper(spans[in].Budget, 0, most, false)
		if err != nil {
			return nil, 0, err
		}
		out, greatest = append(out, conformance.Span{To: rf.Hertz(frequencies[to-1]), Budget: budget}), max(greatest, expanded)
		from = to
	}
	out[len(out)-1].To = spans[len(spans)-1].To
	return out, greatest, nil
}

// steeper returns a budget whose parts move the figure more by a sensitivity, and
// its expanded uncertainty; without a budget the one figure grows. Of a ratio
// only the parts of the adjacent channel do, which have a negative sensitivity.
func steeper(b *uncertainty.Budget, expanded, sensitivity float64, ratio bool) (*uncertainty.Budget, float64, error) {
	if b == nil {
		return nil, expanded * sensitivity, nil
	}
	parts := slices.Clone(b.Parts)
	for i := range parts {
		if !ratio || parts[i].Sensitivity < 0 {
			parts[i].Sensitivity *= sensitivity
		}
	}
	grown, err := combined(parts)
	if err != nil {
		return nil, 0, err
	}
	return grown, grown.Expanded, nil
}
