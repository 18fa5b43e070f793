package sim

import "math"

// noiseFactor is the equivalent noise bandwidth of a Gaussian filter over its
// 3 dB bandwidth, sqrt(pi / (4 ln 2)) = 1.064467 (closed form).
const noiseFactor = 1.0644670194312262

// reach is how far from its centre, in resolution bandwidths, the filter still
// passes anything: 5 bandwidths away it is 301 dB down.
const reach = 5.0

// gaussian is a resolution filter of the given 3 dB bandwidth with unit gain at
// its centre: power gain exp(-4 ln2 (d/rbw)^2) at distance d.
type gaussian struct{ rbw float64 }

// gain returns the power gain at distance d from the centre.
func (g gaussian) gain(d float64) float64 {
	x := d / g.rbw
	return math.Exp(-4 * math.Ln2 * x * x)
}

// noiseBandwidth returns the equivalent noise bandwidth in Hz.
func (g gaussian) noiseBandwidth() float64 { return noiseFactor * g.rbw }

// edge returns the share of the filter's noise bandwidth that lies at or above
// a distance d below its centre: 1 deep inside a band whose lower edge is d
// below, 0.5 on the edge, 0 far outside.
func (g gaussian) edge(d float64) float64 {
	return 0.5 * math.Erfc(-2*math.Sqrt(math.Ln2)*d/g.rbw)
}
