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
	"github.com/jackc/pgx/v5"
)

// release makes the run that the scheduler picks the bench's active one and issues
// the ticket for its next segment. One run at a time: whatever comes in meanwhile
// still counts. A run that cannot be taken now says why and is passed over.
func (t *tenure) release(ctx context.Context, hold string) error {
	if hold != "" {
		t.rest(ctx)
		return t.block(ctx, "the bench is held: "+hold)
	}
	if why, err := away(ctx, t.agent.Pool, t.bench); err != nil || why != "" {
		t.rest(ctx)
		return errors.Join(err, t.block(ctx, why))
	}
	c, err := t.choice(ctx)
	if err != nil {
		return err
	}
	taken := false
	c.queue.Candidates(&c.bench, c.now, func(d scheduler.Decision) bool {
		r := c.runs[d.ID]
		var why string
		if r.Bench == "" {
			why = shelfObstacle(c.lab, r, lab.DateOf(c.now))
		} else {
			why, err = t.obstacle(ctx, r)
		}
		if c.reasons[d.ID] = why; err == nil && why == "" {
			if taken, err = t.take(ctx, r, c.version); taken {
				t.agent.desk.charge(d, t.bench, c.now)
			}
		}
		return taken || err != nil
	})
	if err == nil {
		err = t.tell(ctx, c)
	}
	if taken || err != nil {
		return err
	}
	t.rest(ctx)
	return t.checkDue(ctx)
}

// choice is what a bench may choose from.
type choice struct {
	lab     *lab.Lab
	version int64 // of lab
	bench   scheduler.Bench
	now     time.Time
	policy  scheduler.Policy
	setUp   scheduler.SetUpTime
	queue   *scheduler.Queue
	runs    map[string]*openRun
	jobs    []scheduler.Job
	reasons map[string]string // why a run cannot be taken now
}

// choice reads what waits for the bench, units from the shelf that were mounted on
// it since included, and finds what keeps each run from the bench.
func (t *tenure) choice(ctx context.Context) (*choice, error) {
	c := &choice{
		bench: scheduler.Bench{Name: t.bench}, now: t.agent.Clock(), policy: t.agent.desk.policy,
		runs: map[string]*openRun{}, reasons: map[string]string{},
	}
	var l *lab.Lab
	l, c.version = t.agent.latestLabVersion()
	c.lab = l
	waiting, err := waitingFor(ctx, t.agent.Pool, t.bench, mountedOn(l, t.bench))
	if err != nil {
		return nil, err
	}
	e, err := t.agent.desk.experience(ctx, t.agent.Pool, c.now)
	if err != nil {
		return nil, err
	}
	c.setUp = e.setUpTime()
	c.queue = scheduler.NewQueue(c.policy, c.setUp, e.ledger)
	if len(waiting) == 0 {
		return c, nil
	}
	flaps, err := readFlaps(ctx, t.agent.Pool)
	if err != nil {
		return nil, err
	}
	if b, ok := l.Bench(t.bench); ok {
		c.bench = benchOf(l, b, e, c.now)
	}
	c.bench.Flaps, c.bench.FlappedAt = flaps[t.bench].count, flaps[t.bench].last
	at := findAll(l, c.now)
	for i := range waiting {
		j := waiting[i].job(at, e, c.now)
		c.runs[j.ID], c.jobs = &waiting[i], append(c.jobs, j)
	}
	c.queue.Add(c.jobs...)
	return c, nil
}

// tell writes on every run that was not taken why it waits, where that changed.
func (t *tenure) tell(ctx context.Context, c *choice) error {
	changed := map[string][]uuid.UUID{}
	for i := range c.jobs {
		j := &c.jobs[i]
		why, asked := c.reasons[j.ID]
		if !asked {
			why = c.bench.Obstacle(j, c.setUp(c.bench.SetUp, j.Family), c.now, c.policy)
		}
		if why != "" && !asked && c.runs[j.ID].Bench != "" { // what the run loop has against it says more
			more, err := t.obstacle(ctx, c.runs[j.ID])
			if err != nil {
				return err
			}
			why = cmp.Or(more, why)
		}
		if r := c.runs[j.ID]; r.Blocked != why {
			changed[why] = append(changed[why], r.ID)
		}
	}
	for why, runs := range changed {
		_, err := t.agent.Pool.Exec(ctx, `UPDATE run SET blocked = nullif($2, '') WHERE id = ANY($1) AND state = 'queued'`, runs, why)
		if err != nil {
			return fmt.Errorf("jobs: why runs wait: %w", err)
		}
	}
	return nil
}

// yield asks the run in work to give way at its next safe boundary when an urgent
// one waits for the bench. The run loop looks at that between segments.
func (t *tenure) yield(ctx context.Context, run uuid.UUID) error {
	t.mu.Lock()
	due := time.Since(t.lookedAhead) >= t.agent.Timings.Poll
	if due {
		t.lookedAhead = time.Now()
	}
	t.mu.Unlock()
	if !due {
		return nil
	}
	var urgent bool
	err := t.agent.Pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM run r JOIN campaign c ON c.id = r.campaign_id
		WHERE r.state = 'queued' AND (r.due_at IS NULL OR r.due_at <= clock_timestamp()) AND r.bench = $1 AND c.priority <= $2)`, t.bench, urgentPriority).Scan(&urgent)
	if err != nil {
		return fmt.Errorf("jobs: looking for urgent runs of %s: %w", t.bench, err)
	}
	if !urgent {
		return nil
	}
	c, err := t.choice(ctx)
	if err != nil {
		return err
	}
	active, err := openRuns(ctx, t.agent.Pool, `WHERE r.id = $1 AND r.state = 'active'`, run)
	if err != nil || len(active) == 0 {
		return err
	}
	e, err := t.agent.desk.experience(ctx, t.agent.Pool, c.now)
	if err != nil {
		return err
	}
	j := active[0].job(findAll(c.lab, c.now), e, c.now)
	c.bench.Running = &scheduler.Running{Job: j, Rest: active[0].rest(j), Pausing: active[0].Pausing}
	ahead, found := c.queue.Preempts(&c.bench, c.now)
	if !found {
		return nil
	}
	t.log.InfoContext(ctx, "the run gives way at its next safe boundary", "run", run, "to", ahead.ID)
	_, err = t.agent.Pool.Exec(ctx, `UPDATE run SET pause_requested = $2 WHERE id = $1 AND state = 'active' AND pause_requested IS NULL`,
		run, fmt.Sprintf("%s of %s is urgent", ahead.Unit, ahead.Requester))
	if err != nil {
		return fmt.Errorf("jobs: run %s: %w", run, err)
	}
	return nil
}

// obstacle returns why the bench cannot take the run now; empty: it can.
// Instruments are judged by the newest inventory, which knows of the last
// calibration; paths by the one the campaign was submitted against, whose
// corrections will be used, and by the newest, which knows what was changed since.
func (t *tenure) obstacle(ctx context.Context, c *openRun) (string, error) {
	frozen, err := t.agent.labVersion(ctx, c.LabID)
	if err != nil {
		return "", err
	}
	newest := t.agent.latestLab()
	now := lab.DateOf(t.agent.Clock())
	was, err := mountedUnit(frozen, c.Serial)
	if err != nil {
		return err.Error(), nil
	}
	is, err := mountedUnit(newest, c.Serial)
	switch {
	case err != nil:
		return err.Error(), nil
	case is.Bench != t.bench || is.Slot != was.Slot:
		return fmt.Sprintf("%s is mounted on %s slot %d now, it was on %s slot %d: cancel this run and submit a new campaign",
			c.Serial, is.Bench, is.Slot, was.Bench, was.Slot), nil
	}
	if before, ok := frozen.Bench(was.Bench); ok {
		if b, ok := newest.Bench(t.bench); ok && b.ByHand() != before.ByHand() {
			return fmt.Sprintf("%s got or lost its switch matrix: cancel this run and submit a new campaign", t.bench), nil
		}
	}
	if err := calibrated(newest, t.bench, now); err != nil {
		return err.Error(), nil
	}
	if err := pathsValid(frozen, newest, was, now); err != nil {
		return err.Error(), nil
	}
	return "", nil
}

// shelfObstacle is obstacle for a unit that was on the shelf when the run was
// queued. It is mounted now, and measured with the newest inventory, which must
// allow what the one at submission allowed.
func shelfObstacle(newest *lab.Lab, c *openRun, now lab.Date) string {
	u, err := mountedUnit(newest, c.Serial)
	if err != nil {
		return err.Error()
	}
	if !slices.Contains(c.Fits[u.Bench], u.Slot) {
		return fmt.Sprintf("%s is mounted on %s slot %d, where this plan cannot measure it; mount it elsewhere (benchyard queue mount), or cancel this run and submit it again for that place",
			c.Serial, u.Bench, u.Slot)
	}
	if err := calibrated(newest, u.Bench, now); err != nil {
		return err.Error()
	}
	if err := pathsValid(newest, newest, u, now); err != nil {
		return err.Error()
	}
	return ""
}

// mountedUnit finds a radio unit in an inventory.
func mountedUnit(l *lab.Lab, serial string) (lab.RadioUnit, error) {
	if u, ok := l.Unit(serial); ok {
		return u, nil
	}
	return lab.RadioUnit{}, fmt.Errorf("%s is not in the inventory of %s", serial, l.Name)
}

// calibrated reports the first instrument of the bench whose calibration has ended.
func calibrated(l *lab.Lab, bench string, now lab.Date) error {
	b, ok := l.Bench(bench)
	if !ok {
		return fmt.Errorf("bench %s is not in the inventory of %s", bench, l.Name)
	}
	for _, i := range l.InstrumentsOn(b) {
		if !i.CalibrationDue.IsZero() && i.CalibrationDue.Before(now) {
			return fmt.Errorf("the calibration of %s ended on %s", i.Name, i.CalibrationDue)
		}
	}
	return nil
}

// pathsValid reports the first signal path of the unit whose correction is not
// good: in the frozen inventory, whose corrections are used, or in the newest it is
// out of date or was approved for other elements, or the path was changed between.
func pathsValid(frozen, newest *lab.Lab, u lab.RadioUnit, now lab.Date) error {
	for _, p := range frozen.Paths {
		if p.Bench != u.Bench || p.Slot != u.Slot {
			continue
		}
		is, ok := newest.PathFor(p.Bench, p.Slot, p.Connector)
		if !ok {
			is = p // its unit cannot be there either, which others report
		}
		over, place := "the correction of %s was valid until %s", PathPlace{p.Bench, p.Slot, p.Connector}
		switch {
		case is.ValidUntil.Before(now):
			return fmt.Errorf(over, place, is.ValidUntil)
		case p.ValidUntil.Before(now):
			return fmt.Errorf(over+"; there is a newer one: cancel this run and submit a new campaign", place, p.ValidUntil)
		}
		if why := newest.Stale(is); why != "" {
			return errors.New(why)
		}
		if p.Approved != nil && is.Approved != nil && p.Approved.ID == is.Approved.ID {
			continue // what a check confirmed since then counts
		}
		if why := frozen.Stale(p); why != "" {
			return fmt.Errorf("when this campaign was submitted, %s; that is settled now: cancel this run and submit a new campaign", why)
		}
		if why := lab.Changed(p.Elements, is.Elements); why != "" {
			return fmt.Errorf("%s was changed since this campaign was submitted: %s; cancel this run and submit a new campaign", place, why)
		}
	}
	return nil
}

// take claims the run for the bench; false when somebody cancelled it meanwhile, or
// a path of the bench is off its connector: its unit would transmit into whatever the
// path is joined to. A
// run of a unit from the shelf gets its bench and its inventory here. One that gave
// way before goes on where it was.
func (t *tenure) take(ctx context.Context, c *openRun, version int64) (bool, error) {
	taken := false
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		var first int
		err := tx.QueryRow(ctx, `
			UPDATE run SET state = 'active', started_at = coalesce(started_at, now()), blocked = NULL, pause_requested = NULL, paused = NULL, due_at = NULL, program_version = $3,
			       lab_id = CASE WHEN bench IS NULL THEN $4 ELSE lab_id END, bench = $2
			WHERE id = $1 AND (bench = $2 OR bench IS NULL) AND state = 'queued'
			      AND NOT EXISTS (SELECT 1 FROM path_task p WHERE p.bench = $2 AND p.displaced)
			RETURNING (SELECT min(number) FROM run_segment WHERE run_id = $1 AND state IN ('pending', 'running'))`,
			c.ID, t.bench, t.agent.Version, version).Scan(&first)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("jobs: releasing run %s: %w", c.ID, err)
		}
		taken = true
		if err := t.agent.issue(ctx, tx, t.bench, ticket{Run: c.ID, Segment: first}); err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: runEvent, campaign: &c.Campaign, run: &c.ID, bench: t.bench,
			body: eventBody{State: Active, Serial: c.Serial}})
	})
	if taken && err == nil {
		t.ahead.followed()
		t.mu.Lock()
		t.idleFrom = time.Now() // the ticket is on its way
		t.swept = true
		t.mu.Unlock()
	}
	return taken && err == nil, err
}

// block writes on every queued run of the bench why it waits.
func (t *tenure) block(ctx context.Context, why string) error {
	_, err := t.agent.Pool.Exec(ctx, `UPDATE run SET blocked = $2
		WHERE bench = $1 AND state = 'queued' AND blocked IS DISTINCT FROM $2`, t.bench, why)
	if err != nil {
		return fmt.Errorf("jobs: blocking the queue of %s: %w", t.bench, err)
	}
	return nil
}
