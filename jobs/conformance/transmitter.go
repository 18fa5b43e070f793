package conformance

import (
	"fmt"
	"time"

	"benchyard/instruments/rf"
)

// FrequencyError returns the bounds of the modulated carrier frequency of a
// class at carrier frequency f: the core value of TS 38.104 6.5.1.2 and the
// test requirement, both in hertz to either side. Where no tolerance is known
// (above 6 GHz) test equals core.
func FrequencyError(class Class, f rf.Hertz) (core, test rf.Hertz, err error) {
	class, err = ParseClass(string(class))
	if err != nil {
		return 0, 0, err
	}
	core, err = limits().frequencyError(class, f)
	if err != nil {
		return 0, 0, err
	}
	add, _, _ := limits().Requirements.FrequencyError.Tolerance.at(f, Carrier{})
	return core, core + rf.Hertz(add), nil
}

// frequencyError returns the core value of a class at f.
func (l *limitSet) frequencyError(class Class, f rf.Hertz) (rf.Hertz, error) {
	for _, row := range l.Requirements.FrequencyError.Rows {
		if row.Class == class {
			return rf.Hertz(clean(row.PPM * float64(f) / 1e6)), nil
		}
	}
	return 0, fmt.Errorf("conformance: no frequency error limit for class %s", class)
}

// InterfererOffsets returns the three offsets of the intermodulation interferer
// of bandwidth bw from the edge of the wanted signal, BW (n - 1/2) for n = 1, 2
// and 3, on either side (TS 38.104 6.7.2.1; the form is from memory and meets
// the numbers of 6.7.2.2).
func InterfererOffsets(bw rf.Hertz) [3]rf.Hertz {
	return [3]rf.Hertz{bw / 2, bw * 3 / 2, bw * 5 / 2}
}

// OffPowerWindow returns the window over which the transmitter OFF power is a
// mean: 70/N microseconds with N = SCS/15 kHz (TS 38.104 6.4.1.1).
func OffPowerWindow(scs rf.Hertz) time.Duration {
	return time.Duration(float64(70*time.Microsecond) * float64(15*rf.Kilohertz/scs))
}
