package conformance

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"benchyard/instruments/rf"
)

// A configuration is several carriers in one band, transmitted at once through
// one connector (TS 38.104 3.1, 4.3). Carriers whose channels touch make up a
// sub-block; between sub-blocks lie gaps. The outermost channel edges are the
// Base Station RF Bandwidth edges. Limits for one carrier move there, and gaps
// have limits of their own:
//
//	6.2     each carrier
//	6.6.2   the aggregated bandwidth of a contiguous configuration
//	6.6.3   outside the edges, by the bandwidth of the edge carrier; in gaps
//	        leakage and cumulative leakage by the width of the gap
//	6.6.4   outside the edges; in gaps the power sum of both sides
//	6.6.5   unchanged
//	6.7     the interferer beside the edges, and in gaps that hold it whole

// touching is how far apart two channels of one sub-block may stand, or
// overlap: nominal spacing on a raster that their widths do not fit is up to
// one step of it off (TS 38.104 5.4.1, from memory).
const touching = 30 * rf.Kilohertz

// Gap is a sub-block gap: frequencies between two carriers of a configuration.
type Gap struct {
	rf.Range
	Below, Above int // indices of the carriers at its edges
}

// All returns the carriers of the configuration, rising by frequency; of a
// single carrier that one.
func (s Subject) All() []Carrier {
	if len(s.Carriers) == 0 {
		return []Carrier{s.Carrier}
	}
	return s.Carriers
}

// RFBandwidth returns the Base Station RF Bandwidth: from the lower edge of the
// lowest channel to the upper edge of the highest.
func (s Subject) RFBandwidth() rf.Range {
	all := s.All()
	return rf.Range{Low: all[0].Edges().Low, High: all[len(all)-1].Edges().High}
}

// Gaps returns the sub-block gaps, rising by frequency; none where the
// configuration is contiguous.
func (s Subject) Gaps() []Gap {
	var gaps []Gap
	all := s.All()
	for i := 1; i < len(all); i++ {
		between := rf.Range{Low: all[i-1].Edges().High, High: all[i].Edges().Low}
		if between.Width() > touching+edgeSlack {
			gaps = append(gaps, Gap{between, i - 1, i})
		}
	}
	return gaps
}

// CarrierPower returns what each carrier is rated at in this configuration, per
// connector: carriers of equal power whose sum is the rated total output power
// (TS 38.141-1 4.7.2, from memory). Without a declared total that is the rated
// power of one carrier. A single carrier has RatedPower.
func (s Subject) CarrierPower() rf.DBm {
	n := len(s.All())
	if n == 1 {
		return s.RatedPower
	}
	return min(s.RatedPower, s.totalPower()-rf.DBm(10*math.Log10(float64(n))))
}

// ConnectorPower returns the power of all carriers together, per connector.
func (s Subject) ConnectorPower() rf.DBm {
	n := len(s.All())
	if n == 1 {
		return s.RatedPower
	}
	return s.CarrierPower() + rf.DBm(10*math.Log10(float64(n)))
}

// totalPower returns the rated total output power per connector: that of one
// carrier where no other is declared.
func (d Declaration) totalPower() rf.DBm {
	if d.TotalPower != nil {
		return *d.TotalPower
	}
	return d.RatedPower
}

// checkConfiguration holds the carriers of a configuration against each other;
// each of them is checked as a carrier of its own.
func (l *Set) checkConfiguration(s Subject) error {
	if len(s.Carriers) == 0 {
		return nil
	}
	if n := len(s.Carriers); n > mostCarriers {
		return fmt.Errorf("conformance: a configuration has 2 to %d carriers, not %d", mostCarriers, n)
	}
	if s.Carriers[0] != s.Carrier {
		return fmt.Errorf("conformance: the carrier of a configuration is its lowest, at %s, not the one at %s", s.Carriers[0].Center, s.Carrier.Center)
	}
	single := s
	single.Carriers = nil
	for i, c := range s.Carriers {
		if single.Carrier = c; !strings.EqualFold(c.Band, s.Carrier.Band) {
			return fmt.Errorf("conformance: carriers in %s and %s: a configuration stands in one band; what holds between the RF bandwidths of several bands (NRTC4, NRTC5) is not in the limit set", s.Carrier.Band, c.Band)
		}
		if _, err := l.check(single); err != nil {
			return fmt.Errorf("conformance: carrier %d of the configuration: %s", i+1, strings.TrimPrefix(err.Error(), "conformance: "))
		}
		if i > 0 && c.Edges().Low < s.Carriers[i-1].Edges().High-touching-edgeSlack {
			return fmt.Errorf("conformance: carrier %d at %s begins below the upper edge of carrier %d at %s: carriers rise by frequency and do not overlap", i+1, c.Center, i, s.Carriers[i-1].Center)
		}
	}
	return nil
}

// several reports whether limits of a configuration are asked for.
func (s checked) several() bool { return len(s.Carriers) > 1 }

// edges returns what lies between the outermost channel edges.
func (s checked) edges() rf.Range { return s.RFBandwidth() }

// of returns the subject as if carrier i were the only one, at the power it has
// in the configuration.
func (s checked) of(i int) checked {
	one := s
	one.Carrier, one.Carriers, one.RatedPower = s.Carriers[i], nil, s.CarrierPower()
	return one
}

func (s checked) lowest() checked  { return s.of(0) }
func (s checked) highest() checked { return s.of(len(s.Carriers) - 1) }

// ofConfiguration returns the limits of one clause for several carriers.
func (s checked) ofConfiguration(clause string) ([]Requirement, error) {
	switch clause {
	case OutputPowerClause:
		return s.powerOfEach(), nil
	case OccupiedBandwidthClause:
		return s.aggregatedBandwidth(), nil
	case LeakageRatioClause:
		return s.leakageOfConfiguration()
	case OperatingBandClause:
		return s.masksOfConfiguration()
	case SpuriousEmissionsClause:
		return s.lowest().permitted(s.spurious())
	case IntermodulationClause:
		return s.intermodulation()
	}
	return nil, fmt.Errorf("conformance: %s is judged one carrier at a time; limits of several at once are known for %s, %s, %s, %s, %s, %s",
		clause, OutputPowerClause, OccupiedBandwidthClause, LeakageRatioClause, OperatingBandClause, SpuriousEmissionsClause, IntermodulationClause)
}

// powerOfEach returns 6.2 for every carrier: "6.2" for the lowest, "6.2/2" for
// the next.
func (s checked) powerOfEach() []Requirement {
	var list []Requirement
	for i := range s.Carriers {
		one := s.of(i)
		more, _ := one.permitted(one.outputPower(), nil)
		for _, r := range more {
			r.Title += ", carrier " + strconv.Itoa(i+1)
			r.Provenance = together(r.Provenance, "memory") // power shared by the carriers
			if i > 0 {
				r.Key += "/" + strconv.Itoa(i+1)
			}
			list = append(list, r)
		}
	}
	return list
}

// aggregatedBandwidth returns 6.6.2 of a contiguous configuration: within the
// aggregated channel bandwidth. Nothing is laid down for one with gaps, whose
// carriers are measured one at a time.
func (s checked) aggregatedBandwidth() []Requirement {
	if len(s.Gaps()) > 0 {
		return nil
	}
	whole := s.edges()
	list := s.lowest().occupiedBandwidth()
	for i := range list {
		r := &list[i]
		r.Title = "occupied bandwidth (99 % of the power) within the aggregated channel bandwidth"
		r.Core, r.CoreTo = float64(whole.Width()), float64(whole.Width())
		r.Upper = figure(r.Core + r.Tolerance)
		r.Frequencies = whole
		r.MaxUncertainty = occupiedUncertainty(whole.Width())
	}
	return list
}
