package main

import (
	"context"
	"errors"
	"fmt"

	"benchyard/jobs"
	"benchyard/jobs/lab"
)

// inForceOr returns the inventory in force, an empty one where there is none.
func inForceOr(ctx context.Context, db lab.RowQueryer) (*lab.Lab, error) {
	l, _, err := lab.Load(ctx, db, 0)
	if errors.Is(err, lab.ErrNoLab) {
		return &lab.Lab{}, nil
	}
	return l, err
}

// tellKept says which corrections stay in force in place of those of a file, which
// went with their path, and which hold no more.
func tellKept(p *program, file string, before, after *lab.Lab) {
	for _, c := range before.Corrections {
		if _, ok := after.PathFor(c.Bench, c.Slot, c.Connector); !ok && !c.OfFile() {
			fmt.Fprintf(p.stderr, "note: %s is not in %s any more; its correction, approved by %s, went with it\n", placeOf(c), file, c.ApprovedBy)
		}
	}
	for _, path := range after.Paths {
		place := jobs.PathPlace{Bench: path.Bench, Slot: path.Slot, Connector: path.Connector}
		if a := path.Approved; a != nil && !a.OfFile() {
			fmt.Fprintf(p.stderr, "note: %s: the correction approved by %s stays in force until %s, in place of that of %s; another one comes with benchyard path import\n",
				place, a.ApprovedBy, a.ValidUntil, file)
		}
		if why := after.Stale(path); why != "" {
			fmt.Fprintf(p.stderr, "note: %s; runs wait until then\n", why)
		}
	}
}

func placeOf(c lab.ApprovedCorrection) jobs.PathPlace {
	return jobs.PathPlace{Bench: c.Bench, Slot: c.Slot, Connector: c.Connector}
}
