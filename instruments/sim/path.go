package sim

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// path is the true loss from a connector to the analyzer: a pad, the skin-effect
// slope of the cables, and the ripple of two mismatches.
type path struct {
	pad, slope float64 // dB; slope is the loss that 10 GHz adds
	ripple     [2]ripple
}

type ripple struct{ amplitude, period, phase float64 } // dB, Hz, rad

// newPath draws the path of one connector.
func newPath(seed uint64, bench string, pad rf.DB, slot, connector int) path {
	r := random(seed, fmt.Sprintf("path %s %d %d", bench, slot, connector))
	p := path{pad: float64(pad) - 0.5 + spread(r, 0.3), slope: 0.8 + 0.4*r.Float64()}
	for i := range p.ripple {
		p.ripple[i] = ripple{0.02 + 0.04*r.Float64(), (3 + 4*r.Float64()) * 1e9, 2 * math.Pi * r.Float64()}
	}
	return p
}

// loss returns the true loss at f, dB.
func (p path) loss(f float64) float64 {
	return p.pad + p.slope*math.Sqrt(f/10e9) + waver(p.ripple, f)
}

// gain returns the power gain at f, a plain ratio below one.
func (p path) gain(f float64) float64 { return milliwatts(-p.loss(f)) }

// tableUncertainty is the expanded uncertainty (k = 2) stated in every table.
const tableUncertainty = rf.DB(0.2)

// tableError bounds the error of a table row. It stays well inside the stated
// uncertainty, as it does in a lab that calibrates its paths.
const tableError = 0.03

// tableRows are the frequencies of a correction table, Hz.
func tableRows() []float64 {
	rows := []float64{9e3, 10e6, 100e6, 250e6, 500e6, 750e6}
	for f := 1e9; f < 6e9; f += 0.5e9 {
		rows = append(rows, f)
	}
	for f := 6e9; f <= 26e9; f += 0.8e9 {
		rows = append(rows, f)
	}
	return append(rows, 26.5e9)
}

// table returns the path as somebody measured it: true loss and a small error.
func (p path) table(seed uint64, bench string, slot, connector int) rf.Correction {
	r := random(seed, fmt.Sprintf("table %s %d %d", bench, slot, connector))
	var table rf.Correction
	for _, f := range tableRows() {
		loss := math.Round((p.loss(f)+spread(r, tableError))*1e3) / 1e3
		table = append(table, rf.CorrectionPoint{Frequency: rf.Hertz(f), Loss: rf.DB(loss), Uncertainty: tableUncertainty})
	}
	return table
}
