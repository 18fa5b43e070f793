package jobs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"benchyard/jobs/blob"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
	"benchyard/jobs/watch"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
)

// AgentOptions says what an agent works with.
type AgentOptions struct {
	// Pool is for runs, results and leases; required. It should hold six
	// connections and two more for every bench.
	Pool      *pgxpool.Pool
	RiverPool *pgxpool.Pool // River's own, so that neither starves the other; nil: Pool
	Name      string        // of this agent, unique in the lab; shown as holder of a lease
	Version   string        // of the program, stored with every run
	Level     int64         // newest migration that the program knows; zero: that of the embedded ones
	Benches   []string      // names of the benches to work on; empty: every bench of the lab
	Timings   Timings
	// Blobs keeps evidence of more than RowLimit compressed bytes (zero: 128 KiB);
	// without it, or while it fails, evidence stays in rows.
	Blobs    *blob.Store
	RowLimit int
	Logger   *slog.Logger     // nil: none
	Figures  *watch.Figures   // of this process; nil: not counted
	Clock    func() time.Time // wall clock for dates and stamps; nil: time.Now
}

// Agent holds the leases of benches and works on what is queued for them. It
// has one keeper per bench and one River client for all.
type Agent struct {
	AgentOptions
	river *river.Client[pgx.Tx]
	log   *slog.Logger

	stop    context.CancelFunc // no new work; what is in work may end
	abandon context.CancelCauseFunc
	hard    context.Context // ends when even work in progress must end
	soft    context.Context // ends with stop
	wait    sync.WaitGroup
	labWake chan struct{}
	failed  chan error

	mu      sync.Mutex
	keepers map[string]*keeper // by bench
	labs    map[int64]*lab.Lab // versions never change
	newest  *lab.Lab

	version int64 // of newest

	desk *desk
}

// riverStop bounds the wait for River's own goroutines: it tries for a while to
// tell a database that is away which jobs are done.
const riverStop = 30 * time.Second

// NewAgent checks the options and prepares an agent; Start sets it to work.
func NewAgent(o AgentOptions) (*Agent, error) {
	if o.Pool == nil || o.Name == "" {
		return nil, errors.New("jobs: an agent needs a database and a name")
	}
	o.Timings = o.Timings.withDefaults()
	if err := o.Timings.validate(); err != nil {
		return nil, err
	}
	if o.RiverPool == nil {
		o.RiverPool = o.Pool
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Level == 0 {
		var err error
		if o.Level, err = postgres.KnownLevel(); err != nil {
			return nil, err
		}
	}
	if o.RowLimit == 0 {
		o.RowLimit = rowLimit
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	a := &Agent{
		AgentOptions: o, log: o.Logger.With("agent", o.Name),
		labWake: make(chan struct{}, 1), failed: make(chan error, 1),
		keepers: map[string]*keeper{}, labs: map[int64]*lab.Lab{}, desk: &desk{policy: policyOf(o.Timings)},
	}
	workers := river.NewWorkers()
	river.AddWorker(workers, &segmentWorker{agent: a})
	river.AddWorker(workers, &pathWorker{agent: a})
	river.AddWorker(workers, &judgementWorker{agent: a})
	var err error
	a.river, err = river.NewClient(riverpgxv5.New(o.RiverPool), &river.Config{
		Schema:  riverSchema,
		Queues:  map[string]river.QueueConfig{controlQueue: {MaxWorkers: 1}},
		Workers: workers,
		Logger:  a.log,
		// River leaves out the notification of a job inserted within the cooldown
		// of the one before: it must be shorter than any segment.
		FetchCooldown:     2 * time.Millisecond,
		FetchPollInterval: 5 * time.Second,
		// A segment ends by its own limit, see segmentWorker.Timeout; others by this one.
		JobTimeout:           o.Timings.Segment + time.Minute,
		RescueStuckJobsAfter: o.Timings.Segment + 5*time.Minute,
		MaxAttempts:          3,
		RetryPolicy:          quickRetry{},
		SoftStopTimeout:      o.Timings.SoftStop,
		JobStuckHandler:      a.jobStuck,
	})
	if err != nil {
		return nil, fmt.Errorf("jobs: starting the queue: %w", err)
	}
	return a, nil
}

// Start sets the agent to work and returns at once, unless its program is too
// old for the database: postgres.ErrBelowFloor, and the board says so. Work goes on until Stop;
// the end of ctx does not end it.
func (a *Agent) Start(ctx context.Context) error {
	if err := a.appear(ctx); err != nil {
		return err
	}
	base := context.WithoutCancel(ctx)
	soft, stop := context.WithCancel(base)
	a.soft = soft // before the first worker may look at it
	if err := a.river.Start(base); err != nil {
		stop()
		return fmt.Errorf("jobs: starting the queue: %w", err)
	}
	a.stop = stop
	a.hard, a.abandon = context.WithCancelCause(base)
	a.wait.Go(func() { a.listen(soft) })
	a.wait.Go(func() { a.followLab(soft) })
	a.wait.Go(func() { a.followJudgements(soft) })
	a.wait.Go(func() { a.followUpkeep(soft) })
	a.wait.Go(func() { a.showLife(soft) })
	return nil
}

// Stop ends the agent: no new segment begins, a case in work may end within
// the soft-stop time, then every bench goes to its safe state and its lease is
// given back. When ctx ends before, work is interrupted at once; the safe state
// is still reached. It returns after every goroutine has ended, but for those of
// a segment that was given up: see Failed.
func (a *Agent) Stop(ctx context.Context) error {
	if a.stop == nil {
		return nil
	}
	a.stop()
	release := context.AfterFunc(ctx, func() { a.abandon(errStopping) })
	a.wait.Wait()
	release()
	a.abandon(errStopping)
	// Nothing runs any more, so that River ends at once, unless its database is
	// away or a segment was given up.
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), riverStop)
	defer cancel()
	a.disappear(last)
	if err := a.river.Stop(last); err != nil {
		return fmt.Errorf("jobs: stopping the queue: %w", err)
	}
	return nil
}

// Failed delivers an error when the agent cannot be trusted any more: a
// segment ignored its end, or the database was migrated beyond its program. The process should exit then, so that its sockets
// close; the leases run out and another agent makes the benches safe.
func (a *Agent) Failed() <-chan error { return a.failed }

// jobStuck is River's report of a job that did not return.
func (a *Agent) jobStuck(_ context.Context, p river.JobStuckHandlerParams) river.JobStuckHandlerResult {
	a.stuck(a.keeperOfQueue(p.Queue), fmt.Errorf("jobs: job %d in queue %s did not end; exit this process", p.ID, p.Queue))
	return river.JobStuckHandlerResult{}
}

// stuck gives up a bench, nil for none, whose work does not end: its lease is not
// renewed, so that another agent may take it over.
func (a *Agent) stuck(k *keeper, err error) {
	a.log.Error("work is stuck", "error", err)
	if k != nil {
		k.surrender(err)
	}
	a.fail(err)
}

// followLab starts a keeper for every bench of the newest inventory, and ends
// those of benches that are gone.
func (a *Agent) followLab(ctx context.Context) {
	ends := map[string]context.CancelFunc{}
	for ctx.Err() == nil {
		if l, version, err := lab.Load(ctx, a.Pool, 0); err == nil {
			a.setLab(l, version)
			a.matchKeepers(ctx, l, ends)
			a.followUnits(ctx, l, version)
		} else if ctx.Err() == nil && !errors.Is(err, lab.ErrNoLab) {
			a.log.ErrorContext(ctx, "the inventory cannot be read", "error", err)
		}
		pause(ctx, a.labWake, 6*a.Timings.Poll)
	}
	for _, end := range ends {
		end()
	}
}

func (a *Agent) matchKeepers(ctx context.Context, l *lab.Lab, ends map[string]context.CancelFunc) {
	present := map[string]bool{}
	for _, b := range l.Benches {
		if len(a.Benches) > 0 && !slices.Contains(a.Benches, b.Name) {
			continue
		}
		present[b.Name] = true
		if ends[b.Name] != nil {
			continue
		}
		k := newKeeper(a, b.Name)
		a.mu.Lock()
		a.keepers[b.Name] = k
		a.mu.Unlock()
		var own context.Context
		own, ends[b.Name] = context.WithCancel(ctx)
		a.wait.Go(func() { k.run(own) })
	}
	for name, end := range ends {
		if !present[name] {
			end()
			delete(ends, name)
		}
	}
}

// setLab takes note of the newest inventory. One version stays one pointer, by which
// benches see whether theirs is out of date.
func (a *Agent) setLab(l *lab.Lab, version int64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.newest == nil || version != a.version {
		a.newest, a.version = l, version
	}
}

func (a *Agent) latestLabVersion() (*lab.Lab, int64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.newest, a.version
}

func (a *Agent) latestLab() *lab.Lab {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.newest
}

// labVersion returns an inventory by version; versions never change.
func (a *Agent) labVersion(ctx context.Context, id int64) (*lab.Lab, error) {
	a.mu.Lock()
	known := a.labs[id]
	a.mu.Unlock()
	if known != nil {
		return known, nil
	}
	l, _, err := lab.Load(ctx, a.Pool, id)
	if err != nil {
		return nil, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.labs[id] = l
	return l, nil
}

func (a *Agent) keeperOfQueue(queue string) *keeper {
	a.mu.Lock()
	defer a.mu.Unlock()
	for bench, k := range a.keepers {
		if queueOf(bench) == queue {
			return k
		}
	}
	return nil
}

// pause waits for a wake-up, a timeout or the end of ctx.
func pause(ctx context.Context, wake <-chan struct{}, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-wake:
	case <-timer.C:
	}
}

// poke wakes whoever pauses on wake; a wake-up that is pending is enough.
func poke(wake chan<- struct{}) {
	select {
	case wake <- struct{}{}:
	default:
	}
}
