// Package nr holds what the NR radio standard fixes about a carrier before any
// sample of it exists: numerology, the width of its occupied band, and when a
// TDD carrier is on the air.
//
// The concept on one screen:
//
//	Numerology(scs)          15 kHz * 2^mu, and the slots and symbols that follow
//	ResourceBlocks(bw, scs)  N_RB of a channel bandwidth: 12 subcarriers each
//	Configured(bw, scs)      the transmission bandwidth configuration, 12*SCS*N_RB
//	TDDPattern(scs)          the uplink-downlink pattern of the FR1 test models
//
// It knows no limits and touches no wire. Tables are those of TS 38.104 V19.4.0
// 5.3.2 and TS 38.141-1 4.9.2.2.
package nr

import (
	"fmt"
	"time"

	"benchyard/instruments/rf"
)

// Frame is the duration of a radio frame (TS 38.211 4.3.1).
const Frame = 10 * time.Millisecond

// Base units of TS 38.211 4.1: one Tc is 1/(480 kHz * 4096), kappa is 64.
const (
	basicRate      = 480e3 * 4096 // Tc per second
	kappa          = 64
	symbolsPerSlot = 14
)

// Numerology returns mu of the subcarrier spacing 15 kHz * 2^mu. FR1 carriers
// have mu 0, 1 or 2 (TS 38.211 4.2-1); any other spacing is an error.
func Numerology(scs rf.Hertz) (int, error) {
	switch scs {
	case 15 * rf.Kilohertz:
		return 0, nil
	case 30 * rf.Kilohertz:
		return 1, nil
	case 60 * rf.Kilohertz:
		return 2, nil
	}
	return 0, fmt.Errorf("nr: subcarrier spacing %s: want 15 kHz, 30 kHz or 60 kHz", scs)
}

// SlotDuration returns the length of a slot: 1 ms divided by 2^mu.
func SlotDuration(scs rf.Hertz) (time.Duration, error) {
	mu, err := Numerology(scs)
	if err != nil {
		return 0, err
	}
	return time.Millisecond >> mu, nil
}

// SlotsPerFrame returns how many slots a 10 ms frame has: 10 * 2^mu.
func SlotsPerFrame(scs rf.Hertz) (int, error) {
	mu, err := Numerology(scs)
	if err != nil {
		return 0, err
	}
	return 10 << mu, nil
}

// symbols returns how long n symbols last from the start of a subframe, normal
// cyclic prefix included, in Tc. Symbols 0 and 7*2^mu of every subframe carry
// the longer prefix (TS 38.211 5.3.1).
func symbols(mu, n int) int {
	short := (2048 + 144) * kappa >> mu
	total := n * short
	perSubframe := symbolsPerSlot << mu
	for _, at := range [2]int{0, 7 << mu} {
		if n > at {
			total += (1 + (n-at-1)/perSubframe) * 16 * kappa
		}
	}
	return total
}
