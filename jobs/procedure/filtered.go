package procedure

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

// widestPart is the widest filter, in measurement bandwidths, that is widened by
// integration: half of it, and what an analyzer may have in place of that. A
// line loses 0.15 dB of what a wider filter spreads beyond the window.
const widestPart = 0.5 * (1 + otherFilter)

// integrates reports whether a trace is widened to the measurement bandwidth by
// integration. Otherwise it has to be taken with that bandwidth itself.
func integrates(s rf.Spectrum, bandwidth rf.Hertz) bool {
	return float64(s.RBW) <= widestPart*float64(bandwidth)*(1+1e-9)
}

// filtered returns the levels of a corrected trace through the measurement
// bandwidth of a requirement, over the frequencies it applies to. A narrow
// filter is integrated (TS 38.104 6.6.4.2.5), one as wide as the measurement
// bandwidth is referred to a rectangular one (see dsp.Refer). A filter in between
// or wider measures something else.
func filtered(s rf.Spectrum, r conformance.Requirement) (*conformance.Series, error) {
	switch {
	case integrates(s, r.MeasurementBandwidth):
		return integrated(s, r)
	case within(s.RBW, r.MeasurementBandwidth, otherFilter*r.MeasurementBandwidth*(1+1e-9)):
		return referred(s, r)
	}
	return nil, fmt.Errorf("procedure: %s: a resolution bandwidth of %s serves no measurement bandwidth of %s: take it with that, or with half of it or less", r.Key, s.RBW, r.MeasurementBandwidth)
}

// integrated widens a corrected trace to the filter of a requirement and steps
// it over the frequencies the requirement applies to, a fifth of it at a time.
func integrated(s rf.Spectrum, r conformance.Requirement) (*conformance.Series, error) {
	centres := dsp.Centres(r.Frequencies, r.MeasurementBandwidth/5)
	levels, err := dsp.Integrate(s, r.MeasurementBandwidth, centres)
	if err != nil {
		return nil, fmt.Errorf("procedure: %s: %w", r.Key, err)
	}
	return &conformance.Series{Frequencies: centres, Levels: levels}, nil
}

// referred takes the levels at the points of the trace: noise loses what the
// wider noise bandwidth of the filter adds, a line between two points gets its
// true level.
func referred(s rf.Spectrum, r conformance.Requirement) (*conformance.Series, error) {
	if !s.Range().Covers(widen(r.Frequencies, -s.Step)) {
		return nil, fmt.Errorf("procedure: %s: the trace runs from %s to %s, the limit from %s to %s", r.Key, s.Start, s.Stop(), r.Frequencies.Low, r.Frequencies.High)
	}
	frequencies, levels, err := dsp.Refer(s, r.MeasurementBandwidth)
	if err != nil {
		return nil, fmt.Errorf("procedure: %s: %w", r.Key, err)
	}
	clamp(frequencies, r.Frequencies)
	return &conformance.Series{Frequencies: frequencies, Levels: levels}, nil
}

// clamp takes the binary dust off the ends of a frequency axis, so that its last
// point is not found a nanohertz outside the limit.
func clamp(frequencies []float64, r rf.Range) {
	for i, f := range frequencies {
		frequencies[i] = min(max(f, float64(r.Low)), float64(r.High))
	}
}
