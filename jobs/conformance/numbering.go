package conformance

import (
	"fmt"

	"benchyard/instruments/rf"
)

// Frequency returns F_REF of an NR-ARFCN (TS 38.104 5.4.2.1): F_REF =
// F_REF-Offs + dF_Global (N_REF - N_REF-Offs). Numbers outside FR1 numbering
// (0 to 2016666) are an error.
func Frequency(nref int) (rf.Hertz, error) { return limits().frequency(nref) }

func (l *limitSet) frequency(nref int) (rf.Hertz, error) {
	for _, row := range l.Channels.Numbering.Rows {
		if nref >= row.First && nref <= row.Last {
			return row.Offset + row.Step*rf.Hertz(nref-row.Reference), nil
		}
	}
	return 0, fmt.Errorf("conformance: N_REF %d is outside 0 to 2016666", nref)
}

// SyncFrequency returns SS_REF, the frequency position of the synchronisation
// block, of a global synchronisation channel number (TS 38.104 5.4.3.1).
func SyncFrequency(gscn int) (rf.Hertz, error) {
	for _, row := range limits().Channels.Synchronisation.Rows {
		if gscn < row.First || gscn > row.Last {
			continue
		}
		if row.Minor == 0 {
			return row.Offset + row.Step*rf.Hertz(gscn-row.Reference), nil
		}
		// GSCN = 3N + (M-3)/2 with M of 1, 3, 5: three numbers to each N.
		n := (gscn + 1) / 3
		m := 2*(gscn-3*n) + 3
		return row.Offset + row.Step*rf.Hertz(n) + row.Minor*rf.Hertz(m), nil
	}
	return 0, fmt.Errorf("conformance: GSCN %d is outside 2 to 22255", gscn)
}

// ResourceBlocks returns N_RB of a channel bandwidth at a subcarrier spacing
// (TS 38.104 5.3.2). A combination the table does not have is an error.
func ResourceBlocks(bw, scs rf.Hertz) (int, error) {
	return limits().resourceBlocks(bw, scs)
}

// GuardBand returns the minimum guard band on each side of the transmission
// bandwidth configuration (TS 38.104 5.3.3).
func GuardBand(bw, scs rf.Hertz) (rf.Hertz, error) {
	row, err := limits().blocks(bw, scs)
	return row.Guard, err
}

// DynamicRange returns the minimum total power dynamic range, core value
// without test tolerance (TS 38.104 6.3.3.2).
func DynamicRange(bw, scs rf.Hertz) (rf.DB, error) {
	row, err := limits().blocks(bw, scs)
	return rf.DB(row.DynamicRange), err
}

func (l *limitSet) resourceBlocks(bw, scs rf.Hertz) (int, error) {
	row, err := l.blocks(bw, scs)
	return row.Blocks, err
}

func (l *limitSet) blocks(bw, scs rf.Hertz) (blockRow, error) {
	for _, row := range l.Channels.ResourceBlocks.Rows {
		if row.Bandwidth == bw && row.SCS == scs {
			return row, nil
		}
	}
	return blockRow{}, fmt.Errorf("conformance: no transmission bandwidth configuration for %s at %s subcarrier spacing (TS 38.104 5.3.2)", bw, scs)
}
