package sim

// burst is the rhythm of a TDD transmitter in simulated seconds: on from the
// start of each period. The zero burst is always on.
type burst struct{ period, on float64 }

// onTime returns how long the transmitter is on between a and b.
func (b burst) onTime(from, to float64) float64 {
	if b.period == 0 {
		return to - from
	}
	return b.since(to) - b.since(from)
}

// since returns how long it has been on from time zero to t.
func (b burst) since(t float64) float64 {
	whole := float64(int64(t / b.period))
	if t < 0 {
		whole--
	}
	return whole*b.on + min(t-whole*b.period, b.on)
}

// share returns the part of a window that is on, 0 to 1.
func (b burst) share(from, length float64) float64 {
	if b.period == 0 || length <= 0 {
		return 1
	}
	return b.onTime(from, from+length) / length
}
