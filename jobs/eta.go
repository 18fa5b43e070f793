package jobs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"benchyard/jobs/lab"
	"benchyard/jobs/scheduler"

	"github.com/google/uuid"
)

// Forecast says when the queue will be done.
type Forecast struct {
	Remaining time.Duration // until the last bench is idle, in half of the cases; zero when nothing waits
	Likely    time.Duration // the same in 95 of 100 cases
	Runs      int           // runs that are queued or active
	// Measured is true when the pace of finished segments went into the
	// figures, false when they rest on the nominal times of the plans alone.
	Measured  bool
	Benches   map[string]Span    // until the bench is idle
	Campaigns map[uuid.UUID]Span // until the campaign is done; none for one with a run that nobody knows the end of
	Queue     []QueuedRun        // what waits, by bench and by the order in which the bench takes it, then what never begins
}

// Span is how long something takes from now: that long or less in half of the
// cases, and in 95 of 100.
type Span struct{ P50, P95 time.Duration }

// QueuedRun is a run that waits, and what is known of its turn.
type QueuedRun struct {
	Run      uuid.UUID
	Campaign uuid.UUID
	Title    string // of the campaign
	Serial   string
	UnitType string
	Build    string
	Cases    int
	Bench    string // where it will be measured; empty: on the shelf
	Class    scheduler.Class
	By       string
	QueuedAt time.Time
	Deadline *time.Time
	SetUp    string // what must stand on the bench
	Position int    // among what waits for the bench, from 1; zero: its turn does not come as things stand
	Begins   bool   // Start and End are known; they are not while the bench takes nothing
	Start    Span   // only P50 is known
	End      Span
	Late     bool   // it ends after its deadline in half of the cases
	Waits    string // why it waits, for people
}

// forecastSeed makes the same queue give the same forecast.
const forecastSeed = 1

// ETA forecasts the queue: the benches work through it by the policy of the
// scheduler, with durations and set-up times as learnt from what was measured, and
// the order of what is mounted where. Units on the shelf have no forecast before they
// are mounted. Nobody knows how long holds and alarms last: their runs have none.
func ETA(ctx context.Context, db DB) (Forecast, error) {
	f := Forecast{Benches: map[string]Span{}, Campaigns: map[uuid.UUID]Span{}}
	s, err := snapshot(ctx, db, time.Now())
	if err != nil || len(s.runs) == 0 {
		return f, err
	}
	f.Runs, f.Measured = len(s.runs), s.experience.pace.N > 0
	outlooks, idle := scheduler.Outlooks(s.jobs, s.benches, s.policy, s.experience.setUpTime(), s.experience.ledger, s.now, forecastSeed)
	for bench, end := range idle {
		if s.held[bench] != "" {
			continue
		}
		f.Benches[bench] = Span{end.P50.Sub(s.now), end.P95.Sub(s.now)}
		f.Remaining, f.Likely = max(f.Remaining, end.P50.Sub(s.now)), max(f.Likely, end.P95.Sub(s.now))
	}
	endless := map[uuid.UUID]bool{}
	until := func(campaign uuid.UUID, end Span) {
		before := f.Campaigns[campaign]
		f.Campaigns[campaign] = Span{max(before.P50, end.P50), max(before.P95, end.P95)}
	}
	for _, o := range outlooks {
		q := s.queued(o)
		f.Queue = append(f.Queue, q)
		if !q.Begins {
			endless[q.Campaign] = true
			continue
		}
		until(q.Campaign, q.End)
	}
	for _, b := range s.benches {
		if b.Running != nil {
			until(s.runs[b.Running.ID].Campaign, Span{b.Running.Rest.Quantile(0.5), b.Running.Rest.Quantile(0.95)})
		}
	}
	for _, r := range s.apart {
		q := s.queued(scheduler.Outlook{Job: r.ID.String(), Bench: r.Bench, Waits: r.Blocked})
		f.Queue = append(f.Queue, q)
		endless[q.Campaign] = true
	}
	for campaign := range endless {
		delete(f.Campaigns, campaign)
	}
	return f, nil
}

// yard is the whole queue with its benches at one moment.
type yard struct {
	now        time.Time
	lab        *lab.Lab
	policy     scheduler.Policy
	experience *experience
	runs       map[string]*openRun
	jobs       []scheduler.Job // what waits, units on the shelf included
	benches    []scheduler.Bench
	held       map[string]string // why a bench takes nothing, nobody knows for how long
	apart      []*openRun        // waits for a reason that only its agent knows
}

// snapshot reads it.
func snapshot(ctx context.Context, db DB, now time.Time) (*yard, error) {
	s := &yard{now: now, policy: policyOf(Timings{}.withDefaults()), runs: map[string]*openRun{}, held: map[string]string{}}
	open, err := openRuns(ctx, db, `WHERE r.state IN ('queued', 'active') ORDER BY r.queued_at, r.id`)
	if err != nil || len(open) == 0 {
		return s, err
	}
	if s.experience, err = readExperience(ctx, db, s.policy, now); err != nil {
		return s, err
	}
	if s.lab, _, err = lab.Load(ctx, db, 0); errors.Is(err, lab.ErrNoLab) {
		s.lab, err = &lab.Lab{}, nil
	}
	if err != nil {
		return s, err
	}
	running := map[string]*scheduler.Running{}
	at := findAll(s.lab, now)
	for i := range open {
		j := open[i].job(at, s.experience, now)
		s.runs[j.ID] = &open[i]
		if open[i].State == Active {
			running[open[i].Bench] = &scheduler.Running{Job: j, Rest: open[i].rest(j), Pausing: open[i].Pausing}
			continue
		}
		s.jobs = append(s.jobs, j)
	}
	if err := s.readBenches(ctx, db, running); err != nil {
		return s, err
	}
	s.setApart()
	return s, nil
}

// setApart takes the runs out of the queue that their agent refused for a reason
// that is not one of the scheduler: a unit that was moved, for instance.
func (s *yard) setApart() {
	benches := map[string]*scheduler.Bench{}
	for i := range s.benches {
		benches[s.benches[i].Name] = &s.benches[i]
	}
	setUp := s.experience.setUpTime()
	s.jobs = slices.DeleteFunc(s.jobs, func(j scheduler.Job) bool {
		r, b := s.runs[j.ID], benches[j.Bench]
		apart := r.Blocked != "" && b != nil && b.Obstacle(&j, setUp(b.SetUp, j.Family), s.now, s.policy) == ""
		if apart {
			s.apart = append(s.apart, r)
		}
		return apart
	})
}

func (s *yard) readBenches(ctx context.Context, db DB, running map[string]*scheduler.Running) error {
	flaps, err := readFlaps(ctx, db)
	if err != nil {
		return err
	}
	rows, err := Benches(ctx, db)
	if err != nil {
		return err
	}
	for _, row := range rows {
		b := scheduler.Bench{Name: row.Name}
		known, inLab := s.lab.Bench(row.Name)
		if inLab {
			b = benchOf(s.lab, known, s.experience, s.now)
		}
		b.Running, b.Flaps, b.FlappedAt = running[row.Name], flaps[row.Name].count, flaps[row.Name].last
		switch {
		case !inLab:
			s.held[row.Name] = "bench " + row.Name + " is not in the inventory"
		case row.Alarm != "":
			s.held[row.Name] = "the bench is in alarm: " + row.Alarm
		case row.Hold != "":
			s.held[row.Name] = "the bench is held: " + row.Hold
		}
		s.benches = append(s.benches, b)
	}
	return nil
}

// queued puts an outlook into words.
func (s *yard) queued(o scheduler.Outlook) QueuedRun {
	r := s.runs[o.Job]
	q := QueuedRun{
		Run: r.ID, Campaign: r.Campaign, Title: r.Title, Serial: r.Serial, UnitType: r.UnitType, Build: r.Build, Cases: r.Cases, Bench: o.Bench,
		Class: ClassOf(r.Priority), By: r.By, QueuedAt: r.QueuedAt, Deadline: r.Deadline, SetUp: r.SetUp.family().String(), Position: o.Position,
	}
	if o.Position == 0 || s.held[o.Bench] != "" {
		q.Waits = cmp.Or(o.Waits, s.held[o.Bench])
		return q
	}
	q.Begins = true
	q.Start.P50, q.End = o.Start.Sub(s.now), Span{o.P50.Sub(s.now), o.P95.Sub(s.now)}
	q.Late = r.Deadline != nil && o.P50.After(*r.Deadline)
	q.Waits = s.turn(o, r)
	return q
}

// turn says why a run that will begin waits.
func (s *yard) turn(o scheduler.Outlook, r *openRun) string {
	for i := range s.benches {
		b := &s.benches[i]
		switch {
		case b.Name != o.Bench || o.Position > 1:
		case b.Running != nil && b.Running.Pausing:
			return fmt.Sprintf("%s on %s gives way at its next safe boundary", b.Running.Unit, b.Name)
		case b.Running != nil:
			return fmt.Sprintf("%s is on %s", b.Running.Unit, b.Name)
		}
	}
	if o.Position == 1 {
		return "next"
	}
	return fmt.Sprintf("%d before it on %s: %s", o.Position-1, o.Bench, ahead(o.Behind))
}

// ahead says what decided for the run right before another one.
func ahead(c scheduler.Criterion) string {
	switch c {
	case scheduler.ByClass:
		return "the next of them has a higher priority, or waited for long"
	case scheduler.ByDeadline:
		return "the next of them has a deadline that is near"
	case scheduler.ByShare:
		return "the requester of the next of them used less"
	case scheduler.BySetUp:
		return "the next of them needs less set-up"
	}
	return "the next of them was queued before"
}
