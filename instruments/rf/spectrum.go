package rf

import (
	"fmt"
	"math"
	"time"
)

// Gate restricts a sweep to a window after each edge of the external frame
// trigger, so that a burst carrier is measured in its ON period only.
type Gate struct {
	Delay  time.Duration // from the trigger edge to the start of the window
	Length time.Duration // length of the window
	Period time.Duration // spacing of the trigger edges
}

// Sweep is what a spectrum analyzer is asked for. The detector is always RMS
// and averaging is always over power: every conducted emission limit of the
// trade is a mean power.
type Sweep struct {
	Start, Stop    Hertz
	RBW            Hertz         // 3 dB resolution bandwidth
	VBW            Hertz         // video bandwidth; zero means 3 x RBW
	Points         int           // trace points, Start and Stop included
	SweepTime      time.Duration // time for one sweep; zero lets the analyzer couple it
	Averages       int           // sweeps averaged in power; zero means 1
	Attenuation    DB            // input attenuation
	ReferenceLevel DBm           // top of the analyzer's range, at its input
	Gate           *Gate         // nil measures all the time
}

// Spectrum is one trace: the mean power through the resolution filter at
// equally spaced frequencies. Levels[i] belongs to Start + i*Step.
type Spectrum struct {
	Start, Step    Hertz
	Levels         []float64 // dBm
	RBW            Hertz     // 3 dB resolution bandwidth
	NoiseBandwidth Hertz     // equivalent noise bandwidth of the filter; zero means RBW
	Attenuation    DB        // greatest input attenuation any part of it was taken with
}

// Frequency returns the frequency of point i.
func (s Spectrum) Frequency(i int) Hertz { return s.Start + Hertz(i)*s.Step }

// Stop returns the frequency of the last point.
func (s Spectrum) Stop() Hertz { return s.Frequency(len(s.Levels) - 1) }

// Range returns the span from the first to the last point.
func (s Spectrum) Range() Range { return Range{s.Start, s.Stop()} }

// SpecialNumber is the magnitude from which SCPI numbers stand for infinity
// or "not a number" (SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5; values from memory).
const SpecialNumber = 9.9e37

// Validate reports the first reason why the trace cannot be computed with: no
// points, a step that is not positive, or a level that is not a measured number.
func (s Spectrum) Validate() error {
	if len(s.Levels) < 2 {
		return fmt.Errorf("rf: trace has %d points, want at least 2", len(s.Levels))
	}
	if !(s.Step > 0) || !(s.RBW > 0) {
		return fmt.Errorf("rf: trace step %v and resolution bandwidth %v must be positive", float64(s.Step), float64(s.RBW))
	}
	for i, v := range s.Levels {
		if !(math.Abs(v) < SpecialNumber) { // NaN is not
			return fmt.Errorf("rf: trace point %d at %s is %v, not a measured level", i, s.Frequency(i), v)
		}
	}
	return nil
}
