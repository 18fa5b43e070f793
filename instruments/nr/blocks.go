package nr

import (
	"fmt"

	"benchyard/instruments/rf"
)

// blocks is N_RB by channel bandwidth in megahertz, for 15, 30 and 60 kHz
// (TS 38.104 V19.4.0 5.3.2 T5.3.2-1). Zero: no such combination.
var blocks = map[int][3]int{
	3: {15}, 5: {25, 11}, 7: {35}, 10: {52, 24, 11}, 15: {79, 38, 18}, 20: {106, 51, 24},
	25: {133, 65, 31}, 30: {160, 78, 38}, 35: {188, 92, 44}, 40: {216, 106, 51}, 45: {242, 119, 58},
	50: {270, 133, 65}, 60: {0, 162, 79}, 70: {0, 189, 93}, 80: {0, 217, 107}, 90: {0, 245, 121},
	100: {0, 273, 135},
}

// ResourceBlocks returns N_RB, the resource blocks of the transmission bandwidth
// configuration, for an FR1 channel bandwidth and subcarrier spacing (TS 38.104
// V19.4.0 5.3.2 T5.3.2-1). A combination the table leaves empty is an error.
func ResourceBlocks(bw, scs rf.Hertz) (int, error) {
	mu, err := Numerology(scs)
	if err != nil {
		return 0, err
	}
	row := blocks[int(bw/rf.Megahertz)]
	if rf.Hertz(int(bw/rf.Megahertz))*rf.Megahertz != bw || row[mu] == 0 {
		return 0, fmt.Errorf("nr: no channel bandwidth of %s with subcarrier spacing %s", bw, scs)
	}
	return row[mu], nil
}

// Configured returns the transmission bandwidth configuration of a channel: the
// width that its resource blocks occupy, 12 * SCS * N_RB in hertz.
func Configured(bw, scs rf.Hertz) (rf.Hertz, error) {
	n, err := ResourceBlocks(bw, scs)
	if err != nil {
		return 0, err
	}
	return 12 * scs * rf.Hertz(n), nil
}
