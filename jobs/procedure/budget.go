package procedure

import (
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
)

// ErrOverdrive says that the unit could drive the analyzer beyond what it
// stands, whatever its attenuator does. Nothing may transmit.
var ErrOverdrive = errors.New("the analyzer could be overdriven")

const (
	wrongSetting   rf.DB  = 3  // a unit set too high by this much is still a case to be measured
	peakToAverage  rf.DB  = 10 // of an OFDM carrier
	budgetMargin   rf.DB  = 3  // for all that the table of the path does not know
	mixerFullScale rf.DBm = 7  // peak level at the mixer that leaves the figures sound
	attenuatorStep rf.DB  = 2
	attenuatorMost rf.DB  = 70
)

// Drive is what stands at the two ends of a signal path.
type Drive struct {
	RatedPower   rf.DBm        // per connector, of all carriers together
	Transmit     []rf.Range    // everywhere the unit can transmit, not only in this case
	Correction   rf.Correction // connector to analyzer
	Bypassable   rf.DB         // loss of the path that could be left out by mistake
	GreatestSafe rf.DBm        // greatest safe input of the analyzer, average or peak
}

// Levels is the outcome of the attenuation budget.
type Levels struct {
	LeastLoss      rf.DB  // of the path, where the unit can transmit
	Peak           rf.DBm // greatest peak to be expected at the analyzer input
	Attenuation    rf.DB  // input attenuation that keeps Peak under full scale of the mixer
	ReferenceLevel rf.DBm // whole decibels, at least Peak
}

// Budget computes how strong the unit can get at the analyzer,
//
//	peak = rated power + 3 dB (wrong setting) + 10 dB (peak to average) + 3 dB (margin) - least path loss
//
// with the least loss over all frequencies it can transmit on, and the input
// attenuation, in steps of 2 dB, that keeps the peak at the mixer at +7 dBm or
// less. What could be left out of the path counts as missing where damage is
// concerned, and as there for the attenuator. The input attenuator sits behind the input connector and does not
// protect it by contract: a peak above the greatest safe input is ErrOverdrive.
func Budget(d Drive) (Levels, error) {
	if len(d.Transmit) == 0 {
		return Levels{}, fmt.Errorf("procedure: attenuation budget: no transmit range is given")
	}
	if !(math.Abs(float64(d.RatedPower)) < 200) || !(math.Abs(float64(d.GreatestSafe)) < 200) {
		return Levels{}, fmt.Errorf("procedure: attenuation budget: rated power %s or greatest safe input %s is not a level", d.RatedPower, d.GreatestSafe)
	}
	least := rf.DB(math.Inf(1))
	for _, r := range d.Transmit {
		loss, err := d.Correction.Least(r)
		if err != nil {
			return Levels{}, fmt.Errorf("procedure: attenuation budget from %s to %s: %w", r.Low, r.High, err)
		}
		least = min(least, loss)
	}
	out := Levels{LeastLoss: least, Peak: d.RatedPower.Add(wrongSetting + peakToAverage + budgetMargin - least)}
	if !(d.Bypassable >= 0) {
		return out, fmt.Errorf("procedure: attenuation budget: %s that could be left out of the path: want 0 dB or more", d.Bypassable)
	}
	if without := out.Peak.Add(d.Bypassable); d.Bypassable > 0 && !(without <= d.GreatestSafe) {
		return out, fmt.Errorf("procedure: %w: with %s left out of the path %s, greatest safe input %s: add at least %s of attenuation that nobody can leave out",
			ErrOverdrive, d.Bypassable, without, d.GreatestSafe, without.Sub(d.GreatestSafe))
	}
	if !(out.Peak <= d.GreatestSafe) {
		return out, fmt.Errorf("procedure: %w: rated power %s + %s wrong setting + %s peak to average + %s margin - least path loss %s = %s, greatest safe input %s: add at least %s of attenuation to the path",
			ErrOverdrive, d.RatedPower, wrongSetting, peakToAverage, budgetMargin, least, out.Peak, d.GreatestSafe, out.Peak.Sub(d.GreatestSafe))
	}
	steps := math.Ceil(float64(out.Peak.Sub(mixerFullScale)/attenuatorStep) - 1e-9)
	out.Attenuation = rf.DB(max(steps, 0)) * attenuatorStep
	if out.Attenuation > attenuatorMost {
		return out, fmt.Errorf("procedure: %w: a peak of %s needs %s of input attenuation, the attenuator ends at %s",
			ErrOverdrive, out.Peak, out.Attenuation, attenuatorMost)
	}
	out.ReferenceLevel = rf.DBm(math.Ceil(float64(out.Peak) - 1e-9))
	return out, nil
}
