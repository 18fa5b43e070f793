package procedure

import (
	"fmt"
	"strconv"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/dsp"
)

// Several carriers at once (Subject.Carriers) change little: each has a power of
// its own, one trace over the RF bandwidth and its neighbours holds all leakage,
// gaps have their masks, and a gate is open only while every carrier is on.

// roleOf names the trace that holds carrier i: "carrier", "carrier/2" and so on.
func roleOf(i int) string {
	if i == 0 {
		return carrierRole
	}
	return carrierRole + "/" + strconv.Itoa(i+1)
}

// narrowest returns the carrier with the smallest channel: it sets the filter of
// a trace over all of them.
func (s Setup) narrowest() conformance.Carrier {
	all := s.Subject.All()
	least := all[0]
	for _, c := range all[1:] {
		if c.Bandwidth < least.Bandwidth {
			least = c
		}
	}
	return least
}

// against returns the square filters on the carriers that a leakage ratio is
// held against: what the requirement names, or the carrier at its side.
func (s Setup) against(r conformance.Requirement) []rf.Range {
	if len(r.Against) > 0 {
		return r.Against
	}
	all := s.Subject.All()
	c := all[0]
	if r.Side == conformance.UpperSide {
		c = all[len(all)-1]
	}
	return []rf.Range{around(c.Center, c.Configured())}
}

// leakage returns the ratio of the power sum over carriers to that in a window,
// and the sum in dBm.
func leakage(s rf.Spectrum, carriers []rf.Range, window rf.Range) (rf.DB, rf.DBm, error) {
	if len(carriers) == 1 {
		return dsp.LeakageRatio(s, carriers[0], window)
	}
	adjacent, err := dsp.ChannelPower(s, window)
	if err != nil {
		return 0, 0, err
	}
	levels := make([]rf.DBm, len(carriers))
	for i, r := range carriers {
		if levels[i], err = dsp.ChannelPower(s, r); err != nil {
			return 0, 0, err
		}
	}
	power := rf.Sum(levels...)
	return power.Sub(adjacent), power, nil
}

// pathOver returns how well the path is known over all of the ranges at once: a
// power sum is known no worse than its worst part.
func (s Setup) pathOver(ranges []rf.Range) (pathKnown, error) {
	var worst pathKnown
	for _, r := range ranges {
		k, err := s.pathIn(r)
		if err != nil {
			return pathKnown{}, err
		}
		worst = pathKnown{max(worst.expanded, k.expanded), max(worst.between, k.between)}
	}
	return worst, nil
}

// gate returns the window in which every carrier is on.
func (s Setup) gate(rbw rf.Hertz) (rf.Gate, error) {
	var common rf.Gate
	for i, c := range s.Subject.All() {
		g, err := gate(c.SCS, rbw)
		if err != nil {
			return rf.Gate{}, err
		}
		switch {
		case i == 0:
			common = g
		case g.Period != common.Period:
			return rf.Gate{}, fmt.Errorf("carriers switch on and off with periods of %s and %s: no gate holds both", common.Period, g.Period)
		default:
			end := min(common.Delay+common.Length, g.Delay+g.Length)
			common.Delay = max(common.Delay, g.Delay)
			common.Length = end - common.Delay
		}
	}
	return common, nil
}
