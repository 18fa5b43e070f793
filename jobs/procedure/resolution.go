package procedure

import (
	"fmt"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

const (
	// coarse is the widest filter for the power of a channel: a fifth of it.
	coarse = 5
	// skirt is the widest filter beside a carrier: a hundredth of the channel.
	// Its skirt then stands clear of the gap between two channels.
	skirt = 100
	// fine is the widest filter that loses nothing at the edges of a channel.
	fine = 50
)

// resolves reports why the filter and the points of a trace that reaches far
// enough do not serve the limit.
func (n need) resolves(s rf.Spectrum) error {
	spacing, every := s.RBW, "the resolution bandwidth"
	if n.filter > 0 { // what is looked for may be a line
		spacing, every = s.RBW/2, "half the resolution bandwidth"
	}
	if s.Step > spacing*1.001 {
		return fmt.Errorf("too few points for a resolution bandwidth of %s: they stand %s apart, want %s at the most (%s): %.0f points over this span", s.RBW, short(float64(s.Step)), spacing, every, float64((s.Stop()-s.Start)/spacing)+1)
	}
	widest, where := n.channel/coarse, "for the power of a channel of"
	if n.clause == conformance.OccupiedBandwidthClause || n.clause == conformance.LeakageRatioClause {
		widest, where = n.channel/skirt, "beside a carrier of"
	}
	switch {
	case n.filter > 0 && !integrates(s, n.filter) && !within(s.RBW, n.filter, otherFilter*n.filter*(1+1e-9)):
		return fmt.Errorf("a resolution bandwidth of %s serves no measurement bandwidth of %s: take it with that, or with half of it or less", s.RBW, n.filter)
	case n.filter == 0 && s.RBW > widest*1.001:
		return fmt.Errorf("a resolution bandwidth of %s is too wide %s %s; want %s at the most", s.RBW, where, n.channel, widest)
	case n.filter == 0 && dsp.FewestPoints*s.Step > n.narrowest*1.001:
		return fmt.Errorf("too few points: %s apart leave fewer than %d in a window of %s", short(float64(s.Step)), dsp.FewestPoints, n.narrowest)
	}
	return nil
}

// remarks says what a figure rests on where the trace serves but a bench would
// have done better.
func (n need) remarks(s rf.Spectrum) []string {
	var list []string
	if n.filter == 0 && s.Step > s.RBW/2*1.001 {
		list = append(list, fmt.Sprintf("points stand %s apart, more than half the resolution bandwidth of %s: right for a modulated carrier, a line may read low", short(float64(s.Step)), s.RBW))
	}
	if n.clause == conformance.OutputPowerClause && s.RBW > n.channel/fine {
		list = append(list, fmt.Sprintf("a resolution bandwidth of %s smears the edges of the channel: some hundredths of the power may be lost", s.RBW))
	}
	if n.clause == conformance.OccupiedBandwidthClause && s.RBW > occupiedFilter*1.001 {
		list = append(list, fmt.Sprintf("resolution bandwidth %s, TS 38.141-1 6.6.2 wants %s at the most: the figure is too wide rather than too narrow", s.RBW, occupiedFilter))
	}
	return list
}

// FlatCorrection is the correction of a path that loses the same at every
// frequency, with its expanded uncertainty (k = 2).
func FlatCorrection(loss, uncertainty rf.DB) rf.Correction {
	return rf.Correction{
		{Frequency: 0, Loss: loss, Uncertainty: uncertainty},
		{Frequency: 1000 * rf.Gigahertz, Loss: loss, Uncertainty: uncertainty},
	}
}
