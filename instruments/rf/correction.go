package rf

import (
	"fmt"
	"math"
	"sort"
)

// CorrectionPoint is one row of a path correction: the loss between connector
// and instrument at one frequency, positive, with its expanded uncertainty (k = 2).
type CorrectionPoint struct {
	Frequency   Hertz `yaml:"frequency" json:"frequency_hz"`
	Loss        DB    `yaml:"loss" json:"loss_db"`
	Uncertainty DB    `yaml:"uncertainty" json:"uncertainty_db"`
}

// Correction is a path loss over frequency, rows in rising order. Between rows
// it is linear in decibels; outside them there is no answer: a table is never
// extrapolated.
type Correction []CorrectionPoint

// Validate reports a table that is empty, unsorted, repeats a frequency, or
// holds a figure that is not finite or an uncertainty below zero.
func (c Correction) Validate() error {
	if len(c) == 0 {
		return fmt.Errorf("rf: correction table is empty")
	}
	for i, p := range c {
		sum := float64(p.Frequency) + float64(p.Loss) + float64(p.Uncertainty)
		if math.IsNaN(sum) || math.IsInf(sum, 0) || p.Uncertainty < 0 {
			return fmt.Errorf("rf: correction table: row %d: frequency %s, loss %s, uncertainty %s: want finite figures and no negative uncertainty", i+1, p.Frequency, p.Loss, p.Uncertainty)
		}
		if i > 0 && p.Frequency <= c[i-1].Frequency {
			return fmt.Errorf("rf: correction table: row %d at %s does not rise above %s", i+1, p.Frequency, c[i-1].Frequency)
		}
	}
	return nil
}

// Range returns the span the table covers; the zero Range when it is empty.
func (c Correction) Range() Range {
	if len(c) == 0 {
		return Range{}
	}
	return Range{c[0].Frequency, c[len(c)-1].Frequency}
}

// At returns loss and expanded uncertainty at f, or an error that names the
// covered range when f lies outside it.
func (c Correction) At(f Hertz) (loss, uncertainty DB, err error) {
	r := c.Range()
	if len(c) == 0 || !r.Contains(f) {
		return 0, 0, fmt.Errorf("rf: correction covers %s to %s, not %s", r.Low, r.High, f)
	}
	i := sort.Search(len(c), func(i int) bool { return c[i].Frequency >= f })
	if c[i].Frequency == f {
		return c[i].Loss, c[i].Uncertainty, nil
	}
	a, b := c[i-1], c[i]
	x := DB((f - a.Frequency) / (b.Frequency - a.Frequency))
	return a.Loss + x*(b.Loss-a.Loss), max(a.Uncertainty, b.Uncertainty), nil
}

// Least returns the smallest loss of the table inside r: the worst case for
// whatever stands at the end of the path.
func (c Correction) Least(r Range) (DB, error) {
	least, _, err := c.At(r.Low)
	if err != nil {
		return 0, err
	}
	high, _, err := c.At(r.High)
	if err != nil {
		return 0, err
	}
	least = min(least, high)
	for _, p := range c {
		if r.Contains(p.Frequency) {
			least = min(least, p.Loss)
		}
	}
	return least, nil
}

// Apply returns the trace as it stands at the connector: every level raised by
// the loss at its frequency. The input is left as it was. The frequencies of a
// trace are computed, so an end may miss that of the table by a millionth of a
// step; it then has the loss of the end.
func (c Correction) Apply(s Spectrum) (Spectrum, error) {
	r, slack := c.Range(), s.Step/1e6
	if len(c) == 0 || !(Range{r.Low - slack, r.High + slack}).Covers(s.Range()) {
		return Spectrum{}, fmt.Errorf("rf: correction covers %s to %s, trace runs from %s to %s", r.Low, r.High, s.Start, s.Stop())
	}
	out := s
	out.Levels = make([]float64, len(s.Levels))
	row := 0
	for i, level := range s.Levels {
		f := min(max(s.Frequency(i), r.Low), r.High)
		for row < len(c)-2 && c[row+1].Frequency < f {
			row++
		}
		out.Levels[i] = level + float64(c.between(row, f))
	}
	return out, nil
}

// between interpolates in the interval that starts at row.
func (c Correction) between(row int, f Hertz) DB {
	if len(c) == 1 {
		return c[0].Loss
	}
	a, b := c[row], c[row+1]
	return a.Loss + DB((f-a.Frequency)/(b.Frequency-a.Frequency))*(b.Loss-a.Loss)
}
