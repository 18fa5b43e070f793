package sim

import (
	"fmt"

	"benchyard/instruments/rf"
)

// Stress is what a transmission would do to the analyzer of a bench.
type Stress struct {
	Average, Peak rf.DBm // at the analyzer input
	Safe          rf.DBm // what it stands
}

// Damages reports whether the analyzer would not survive it.
func (s Stress) Damages() bool { return s.Peak > s.Safe }

// Stress returns what the analyzer would get from a unit that transmits, with part of
// the path left out, by the same physics as in a running lab and without one. Unknown
// serials, connectors and channel bandwidths are errors.
func (c Config) Stress(cond Condition, leftOut rf.DB) (Stress, error) {
	t, err := c.transmitter(cond)
	if err != nil {
		return Stress{}, err
	}
	e, err := t.emission(cond.drive())
	if err != nil {
		return Stress{}, err
	}
	b, p, err := c.pathOf(cond.Serial, cond.Connector)
	if err != nil {
		return Stress{}, err
	}
	p.pad -= float64(leftOut)
	average := decibels(e.through(p))
	return Stress{Average: rf.DBm(average), Peak: rf.DBm(average + peakRatio), Safe: b.MaxInput}, nil
}

// Loss returns the true loss from a unit's connector to its analyzer at f.
func (c Config) Loss(serial string, connector int, f rf.Hertz) (rf.DB, error) {
	_, p, err := c.pathOf(serial, connector)
	return rf.DB(p.loss(float64(f))), err
}

// Correction returns the table of a unit's path as it stands in the inventory.
func (c Config) Correction(serial string, connector int) (rf.Correction, error) {
	b, p, err := c.pathOf(serial, connector)
	if err != nil {
		return nil, err
	}
	u, err := c.unit(serial)
	return p.table(c.Seed, b.Name, u.Slot, connector), err
}

func (c Config) pathOf(serial string, connector int) (BenchConfig, path, error) {
	u, err := c.unit(serial)
	if err != nil {
		return BenchConfig{}, path{}, err
	}
	b, err := c.bench(u.Bench)
	if err != nil {
		return BenchConfig{}, path{}, err
	}
	if u.Slot < 1 || u.Slot > len(b.Pads) || connector < 1 {
		return BenchConfig{}, path{}, fmt.Errorf("sim: %s slot %d connector %d has no path", u.Bench, u.Slot, connector)
	}
	return b, b.path(c.Seed, u.Slot, connector), nil
}
