// Package calibration makes the correction of a signal path out of readings:
// what a generator gives at a power meter, less what arrives at the analyzer
// behind the path, is the loss of the path.
//
// The concept on one screen:
//
//	Reading          one frequency: the power meter at the generator, and the
//	                 analyzer behind the path, each repeated
//	LineSweep, Line  how the generator is looked for behind the path
//	Equipment        what is known of the instruments and of the connections
//	Losses, Table    readings -> loss with its uncertainty budget, row by row
//	Compare          two tables, row by row, in units of their combined uncertainty
//	Check            a quick look: a few losses against the table, with a limit
//	ParseTouchstone  the loss of a path that a network analyzer measured
//
// The analyzer is part of what is calibrated: the error of its absolute level
// is the same when it measures a radio unit through the same path, so that it
// is in the loss and not in the budget. What remains of it is its linearity.
// All functions are pure.
package calibration

import (
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/uncertainty"
)

// Reading is what was read at one frequency, in dBm. The levels of one place
// were repeated without touching anything.
type Reading struct {
	Frequency rf.Hertz  `json:"frequency_hz"`
	Meter     []float64 `json:"meter_dbm"`    // of the generator, at the power meter
	Analyzer  []float64 `json:"analyzer_dbm"` // of the generator, behind the path
}

// Equipment is what is known of the instruments and connections of a
// measurement. Nothing of it may be left out but Repeatability: what is not
// known cannot be zero.
type Equipment struct {
	Meter     rf.DB // expanded uncertainty (k = 2) of a level at the power meter
	Linearity rf.DB // expanded uncertainty (k = 2) of a ratio of two levels at the analyzer

	GeneratorSWR, MeterSWR, PathSWR, AnalyzerSWR float64 // standing wave ratios, 1 or more

	Repeatability rf.DB // standard deviation over repeated connections of the path; zero: not known apart
	Repeats       int   // connections it was seen in; zero: it is known as it stands
}

// Row is one row of a correction with the budget of its uncertainty, in decibels.
type Row struct {
	rf.CorrectionPoint
	Budget uncertainty.Budget `json:"budget"`
}

// LeastRows is how many rows a table has at least: with fewer nothing is known
// of what lies between them.
const LeastRows = 3

// Losses returns the loss at each frequency with its budget, without anything
// about what lies between the frequencies. A level that is not a finite number,
// fewer than two of a place, equipment that is not known, frequencies that do
// not rise and a gain are errors.
func Losses(readings []Reading, e Equipment) ([]Row, error) {
	parts, err := e.parts()
	if err != nil {
		return nil, err
	}
	rows := make([]Row, len(readings))
	for i, r := range readings {
		if i > 0 && r.Frequency <= readings[i-1].Frequency {
			return nil, fmt.Errorf("calibration: frequency %s does not rise above %s", r.Frequency, readings[i-1].Frequency)
		}
		if rows[i], err = r.loss(parts); err != nil {
			return nil, fmt.Errorf("calibration: at %s: %w", r.Frequency, err)
		}
	}
	return rows, nil
}

// Table is Losses for a correction that will be interpolated: the uncertainty
// of each row covers the bend of the table beside it. It needs LeastRows.
func Table(readings []Reading, e Equipment) ([]Row, error) {
	rows, err := Losses(readings, e)
	if err != nil {
		return nil, err
	}
	if len(rows) < LeastRows {
		return nil, fmt.Errorf("calibration: %d frequencies; want %d or more, so that something is known of what lies between them", len(rows), LeastRows)
	}
	for i := range rows {
		bend := uncertainty.Part{Name: "interpolation", Kind: uncertainty.Rectangular, Value: bend(rows, i)}
		if err := rows[i].combine(append(rows[i].Budget.Parts, bend)); err != nil {
			return nil, err
		}
	}
	return rows, nil
}

// Correction returns the rows without their budgets.
func Correction(rows []Row) rf.Correction {
	c := make(rf.Correction, len(rows))
	for i, r := range rows {
		c[i] = r.CorrectionPoint
	}
	return c
}

// parts are the influences that are the same at every frequency.
func (e Equipment) parts() ([]uncertainty.Part, error) {
	if !(e.Meter > 0) || !(e.Linearity > 0) || !(e.Repeatability >= 0) {
		return nil, fmt.Errorf("calibration: power meter %s, linearity of the analyzer %s, repeatability %s: want uncertainties over zero of the first two", e.Meter, e.Linearity, e.Repeatability)
	}
	var rho [4]float64
	for i, swr := range []float64{e.GeneratorSWR, e.MeterSWR, e.PathSWR, e.AnalyzerSWR} {
		var err error
		if rho[i], err = uncertainty.ReflectionOfSWR(swr); err != nil {
			return nil, fmt.Errorf("calibration: %s: %w", [...]string{"generator", "power meter", "path", "analyzer"}[i], err)
		}
	}
	parts := []uncertainty.Part{
		{Name: "power meter", Kind: uncertainty.Normal, Value: float64(e.Meter)},
		{Name: "linearity of the analyzer", Kind: uncertainty.Normal, Value: float64(e.Linearity)},
		uncertainty.Mismatch("mismatch generator, power meter", rho[0], rho[1]),
		uncertainty.Mismatch("mismatch generator, path", rho[0], rho[2]),
		uncertainty.Mismatch("mismatch path, analyzer", rho[2], rho[3]),
	}
	if e.Repeatability > 0 {
		part := uncertainty.Part{Name: "connection", Kind: uncertainty.Repeated, Value: float64(e.Repeatability)}
		if e.Repeats > 1 {
			part.DegreesOfFreedom = float64(e.Repeats - 1)
		}
		parts = append(parts, part)
	}
	return parts, nil
}

// loss is the difference of the two levels. Repeated readings differ by
// hundredths of a decibel, where their mean is the same in decibels and in power.
func (r Reading) loss(common []uncertainty.Part) (Row, error) {
	for _, level := range append(append([]float64(nil), r.Meter...), r.Analyzer...) {
		if math.IsNaN(level) || math.IsInf(level, 0) {
			return Row{}, fmt.Errorf("a level of %g dBm was not measured", level)
		}
	}
	meter, given, err := uncertainty.Repetitions("repeated readings of the power meter", r.Meter)
	if err != nil {
		return Row{}, err
	}
	analyzer, arrived, err := uncertainty.Repetitions("repeated sweeps of the analyzer", r.Analyzer)
	if err != nil {
		return Row{}, err
	}
	row := Row{CorrectionPoint: rf.CorrectionPoint{Frequency: r.Frequency, Loss: rf.DB(round(given - arrived))}}
	if row.Loss < 0 {
		return Row{}, fmt.Errorf("%.2f dBm arrive of %.2f dBm: a path has no gain; is the power meter read where the generator is, and no amplifier in the path?", arrived, given)
	}
	return row, row.combine(append(append([]uncertainty.Part(nil), common...), meter, analyzer))
}

// combine makes the uncertainty of the row out of parts. A table states expanded
// uncertainties with k = 2; what rests on few repetitions has a greater k, and
// stays expanded by it.
func (r *Row) combine(parts []uncertainty.Part) error {
	b, err := uncertainty.Combine(parts)
	if err != nil {
		return err
	}
	r.Budget, r.Uncertainty = b, rf.DB(math.Ceil(b.Expanded*resolution)/resolution)
	return nil
}

// resolution is how finely tables are written: a ten-thousandth of a decibel.
const resolution = 1e4

func round(db float64) float64 { return math.Round(db*resolution) / resolution }

// bend bounds the error of interpolation beside a row: the curvature seen
// there, times the square of the wider gap, over eight. At the ends it is that
// of the row beside.
func bend(rows []Row, i int) float64 {
	i = min(max(i, 1), len(rows)-2)
	a, b, c := rows[i-1], rows[i], rows[i+1]
	before, after := float64(b.Frequency-a.Frequency), float64(c.Frequency-b.Frequency)
	curvature := 2 * (float64(c.Loss-b.Loss)/after - float64(b.Loss-a.Loss)/before) / (before + after)
	gap := max(before, after)
	return math.Abs(curvature) * gap * gap / 8
}
