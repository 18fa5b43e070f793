package nr

import (
	"time"

	"benchyard/instruments/rf"
)

// Pattern is an uplink-downlink pattern: downlink slots, one or two slots that
// are downlink only at their start and uplink only at their end, uplink slots.
// It repeats from the start of every radio frame.
type Pattern struct {
	Period          time.Duration
	On              time.Duration // time from the start of the period during which downlink is transmitted
	DownlinkSlots   int           // whole slots of downlink at the start
	DownlinkSymbols int           // symbols of downlink in the slot after them
	UplinkSlots     int           // whole slots of uplink at the end
	UplinkSymbols   int           // symbols of uplink in the slot before them
}

// Duty returns the share of the period with downlink, 0 to 1.
func (p Pattern) Duty() float64 { return float64(p.On) / float64(p.Period) }

// patterns of the FR1 test models (TS 38.141-1 4.9.2.2 T4.9.2.2-1), by mu.
var patterns = [3]Pattern{
	{DownlinkSlots: 3, DownlinkSymbols: 10, UplinkSlots: 1, UplinkSymbols: 2},
	{DownlinkSlots: 7, DownlinkSymbols: 6, UplinkSlots: 2, UplinkSymbols: 4},
	{DownlinkSlots: 14, DownlinkSymbols: 12, UplinkSlots: 4, UplinkSymbols: 8},
}

// TDDPattern returns the pattern that the FR1 test models use with a subcarrier
// spacing (TS 38.141-1 4.9.2.2 T4.9.2.2-1); its period is 5 ms. On is rounded
// down to whole nanoseconds, so that a gate of that length never reaches into
// the OFF period.
func TDDPattern(scs rf.Hertz) (Pattern, error) {
	mu, err := Numerology(scs)
	if err != nil {
		return Pattern{}, err
	}
	p := patterns[mu]
	p.Period = 5 * time.Millisecond
	ticks := symbols(mu, p.DownlinkSlots*symbolsPerSlot+p.DownlinkSymbols)
	p.On = time.Duration(float64(ticks) / basicRate * float64(time.Second))
	return p, nil
}
