package jobs

import (
	"context"
	"sync"
	"time"

	"benchyard/jobs/lab"
	"benchyard/jobs/scheduler"
)

// desk keeps what an agent knows for its decisions. Experience grows slowly and
// is read again now and then; what a bench takes meanwhile is charged at once.
type desk struct {
	policy scheduler.Policy

	mu   sync.Mutex
	read time.Time
	last *experience
}

// experienceLife is how long experience is good.
const experienceLife = 30 * time.Second

// policyOf derives what depends on the clocks of an agent: a bench that flaps rests
// for four lives of a lease at least.
func policyOf(t Timings) scheduler.Policy { return scheduler.Policy{Calm: 4 * t.TTL} }

// experience returns what finished runs teach, and a ledger that is the caller's.
func (d *desk) experience(ctx context.Context, db DB, now time.Time) (*experience, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.last == nil || now.Sub(d.read) >= experienceLife || now.Before(d.read) {
		e, err := readExperience(ctx, db, d.policy, now)
		if err != nil {
			return nil, err
		}
		d.last, d.read = e, now
	}
	own := *d.last
	own.ledger = d.last.ledger.Clone()
	return &own, nil
}

// charge notes a run that was taken, for the decisions until experience is read
// again; then the tables say what was used.
func (d *desk) charge(j scheduler.Decision, bench string, now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.last == nil {
		return
	}
	d.last.ledger.Charge(j.Requester, j.SetUp+j.Takes.Median, now)
	standing := make(map[string]scheduler.Family, len(d.last.standing)+1)
	for name, f := range d.last.standing {
		standing[name] = f
	}
	standing[bench] = j.Family
	d.last.standing = standing
}

// mountedOn lists the serial numbers of the units that have a slot on a bench.
func mountedOn(l *lab.Lab, bench string) []string {
	serials := []string{}
	for _, u := range l.UnitsOn(bench) {
		serials = append(serials, u.Serial)
	}
	return serials
}
