package uncertainty

import (
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// LeastOverFloor is how far a level must stand above the floor to be corrected
// at all: nearer to it the correction is worth less than the scatter that it
// multiplies. No level is corrected to less than that either. A level just below
// the bound keeps its value; were the one just above it to lose its 3 dB, a
// reading that got worse would get a better verdict. The correction is thus 1.76 dB
// at most, below the cap of 2 to 3 dB that holds for verdicts
// (facts/metrology.md 4.8, house rule).
const LeastOverFloor rf.DB = 3

// ErrFloor says that a level cannot be corrected for the noise floor.
var ErrFloor = errors.New("uncertainty: no correction for the noise floor")

// Level is a level as it was measured, with the settings it was measured with.
type Level struct {
	Value rf.DBm
	Sweep rf.Sweep
}

// FloorCorrected is a level with the noise floor taken out of it. All that
// belongs to it is kept: a correction whose raw figures are lost is worthless.
type FloorCorrected struct {
	Measured    rf.DBm
	Floor       rf.DBm
	Excess      rf.DB  // Measured over Floor
	Correction  rf.DB  // taken off
	Corrected   rf.DBm // Measured less Correction
	Sensitivity float64
	Capped      bool // the formula wanted to take off more, see LeastOverFloor
}

// FloorShare returns by how much noise raises a level that reads excess above
// the noise alone: -10 log10(1 - 10^(-excess/10)). It grows without bound as
// the excess goes to zero, where there is no signal left.
func FloorShare(excess rf.DB) rf.DB { return -rf.FromRatio(1 - (-excess).Ratio()) }

// FloorSensitivity returns by how much the corrected level moves when the
// reading moves by one decibel: 1 / (1 - 10^(-excess/10)).
func FloorSensitivity(excess rf.DB) float64 { return 1 / (1 - (-excess).Ratio()) }

// RaisedByNoise returns by how much a level reads high that stands s over the
// noise it is measured in: 10 log10(1 + 10^(-s/10)).
func RaisedByNoise(s rf.DB) rf.DB { return rf.FromRatio(1 + (-s).Ratio()) }

// CorrectFloor takes the noise floor out of a level, as power. It refuses
// (ErrFloor) a level that stands less than LeastOverFloor above the floor, one
// that is no number, and a floor that was taken with other settings: another
// attenuation, resolution bandwidth, averaging or gate is another floor. (The
// detector is always RMS, see rf.Sweep.)
//
// Nothing in this program corrects unless it is asked to.
func CorrectFloor(measured, floor Level) (FloorCorrected, error) {
	if err := SameSettings(measured.Sweep, floor.Sweep); err != nil {
		return FloorCorrected{}, err
	}
	c := FloorCorrected{Measured: measured.Value, Floor: floor.Value, Excess: measured.Value.Sub(floor.Value)}
	if !(c.Excess >= LeastOverFloor) || math.IsInf(float64(c.Excess), 0) {
		return FloorCorrected{}, fmt.Errorf("%w: %.2f dBm stands %.2f dB above the floor of %.2f dBm; want %.0f dB or more", ErrFloor, float64(c.Measured), float64(c.Excess), float64(c.Floor), float64(LeastOverFloor))
	}
	whole := FloorShare(c.Excess)
	most := c.Excess - LeastOverFloor
	c.Correction, c.Capped = min(whole, most), whole > most
	c.Corrected, c.Sensitivity = c.Measured.Add(-c.Correction), FloorSensitivity(c.Excess)
	return c, nil
}

// SameSettings reports (ErrFloor) by what a floor, the second, was measured with
// other settings than a level, the first.
func SameSettings(a, b rf.Sweep) error {
	gated := (a.Gate == nil) == (b.Gate == nil) && (a.Gate == nil || *a.Gate == *b.Gate)
	switch {
	case a.Attenuation != b.Attenuation:
		return fmt.Errorf("%w: it was measured with an attenuation of %s, the level with %s", ErrFloor, b.Attenuation, a.Attenuation)
	case a.RBW != b.RBW:
		return fmt.Errorf("%w: it was measured through a filter of %s, the level through %s", ErrFloor, b.RBW, a.RBW)
	case a.VBW != b.VBW:
		return fmt.Errorf("%w: it was measured with a video bandwidth of %s, the level with %s", ErrFloor, b.VBW, a.VBW)
	case a.Averages != b.Averages || a.SweepTime != b.SweepTime:
		return fmt.Errorf("%w: it was measured with %d averages of %s, the level with %d of %s", ErrFloor, b.Averages, b.SweepTime, a.Averages, a.SweepTime)
	case a.Points != b.Points:
		return fmt.Errorf("%w: it was measured in %d points, the level in %d", ErrFloor, b.Points, a.Points)
	case a.ReferenceLevel != b.ReferenceLevel:
		return fmt.Errorf("%w: it was measured at a reference level of %s, the level at %s", ErrFloor, b.ReferenceLevel, a.ReferenceLevel)
	case !gated:
		return fmt.Errorf("%w: it was measured with another gate", ErrFloor)
	}
	return nil
}
