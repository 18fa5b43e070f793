package jobs

import (
	"context"
	"maps"
	"slices"
	"time"

	"benchyard/jobs/scheduler"
)

// MountPlace is a unit from the shelf and where a person should mount it.
type MountPlace struct {
	Serial   string
	UnitType string
	Bench    string
	Slot     int           // zero: as soon as one is free there
	TakeOut  string        // unit that is in the slot, and that nothing waits for; empty: the slot is free
	SetUp    string        // what must stand on the bench
	Runs     int           // of the unit that wait
	Start    time.Duration // until the bench comes to it, about
}

// StrandedUnit is a unit from the shelf whose runs no bench can take now.
type StrandedUnit struct {
	Serial  string
	Reasons []string // what stands against each bench
}

// MountList says which units to take from the shelf, the next one first, and
// where to put each so that the benches end early and what is urgent is not kept
// waiting. A unit is mounted by giving it its bench, slot and resource in the
// inventory.
func MountList(ctx context.Context, db DB) ([]MountPlace, []StrandedUnit, error) {
	s, err := snapshot(ctx, db, time.Now())
	if err != nil || len(s.runs) == 0 {
		return nil, nil, err
	}
	var shelf, waiting []scheduler.Job
	runs := map[string]*openRun{} // by serial number
	for _, j := range s.jobs {
		if j.Bench != "" {
			waiting = append(waiting, j)
			continue
		}
		shelf = append(shelf, j)
		runs[j.Unit] = s.runs[j.ID]
	}
	if len(shelf) == 0 {
		return nil, nil, nil
	}
	idle := map[string]map[int]string{}
	for i := range s.benches {
		b := &s.benches[i]
		b.Hold = s.held[b.Name]
		b.Slots, idle[b.Name] = s.slots(b.Name)
	}
	places, stranded := scheduler.Mount(shelf, waiting, s.benches, s.policy, s.experience.setUpTime(), s.experience.ledger, s.now)
	var list []MountPlace
	for _, p := range places {
		r := runs[p.Unit]
		list = append(list, MountPlace{
			Serial: p.Unit, UnitType: r.UnitType, Bench: p.Bench, Slot: p.Slot, TakeOut: idle[p.Bench][p.Slot], SetUp: r.SetUp.family().String(), Runs: len(p.Jobs), Start: p.Start.Sub(s.now),
		})
	}
	var nowhere []StrandedUnit
	for _, u := range stranded {
		nowhere = append(nowhere, StrandedUnit{u.Unit, u.Reasons})
	}
	return list, nowhere, nil
}

// slots lists the slots of a bench that are free, and then those whose unit could
// be taken out because nothing waits for it, with its serial number. A golden unit
// stays, and so does a slot whose units persons change during runs.
func (s *yard) slots(bench string) (free []int, idle map[int]string) {
	b, ok := s.lab.Bench(bench)
	if !ok {
		return nil, nil
	}
	wanted := map[string]bool{}
	for _, r := range s.runs {
		wanted[r.Serial] = true
	}
	idle = map[int]string{}
	taken := map[int]bool{}
	for _, u := range s.lab.UnitsOn(bench) {
		taken[u.Slot] = true
		if !wanted[u.Serial] && !u.ByHand() && b.GoldenUnit != u.Serial {
			idle[u.Slot] = u.Serial
		}
	}
	for slot := 1; slot <= b.Slots; slot++ {
		if !taken[slot] {
			free = append(free, slot)
		}
	}
	return slices.AppendSeq(free, slices.Values(slices.Sorted(maps.Keys(idle)))), idle
}
