package jobs

import (
	"context"
	"time"

	"benchyard/jobs/scheduler"
)

// MountPlace is a unit from the shelf and where a person should mount it.
type MountPlace struct {
	Serial   string
	UnitType string
	Bench    string
	Slot     int           // zero: as soon as one is free there
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
	for i := range s.benches {
		s.benches[i].Hold = s.held[s.benches[i].Name]
	}
	places, stranded := scheduler.Mount(shelf, waiting, s.benches, s.policy, s.experience.setUpTime(), s.experience.ledger, s.now)
	var list []MountPlace
	for _, p := range places {
		r := runs[p.Unit]
		list = append(list, MountPlace{
			Serial: p.Unit, UnitType: r.UnitType, Bench: p.Bench, Slot: p.Slot, SetUp: r.SetUp.family().String(), Runs: len(p.Jobs), Start: p.Start.Sub(s.now),
		})
	}
	var nowhere []StrandedUnit
	for _, u := range stranded {
		nowhere = append(nowhere, StrandedUnit{u.Unit, u.Reasons})
	}
	return list, nowhere, nil
}
