package jobs

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"
)

// ticket is the River job: a hint that a segment may be waiting. It may arrive
// twice, late, or for a segment that is long done; the tables decide.
type ticket struct {
	Run     uuid.UUID `json:"run"`
	Segment int       `json:"segment"`
}

// Kind names the job in River's tables.
func (ticket) Kind() string { return "segment" }

// pathTicket is the River job of a path task, a hint like ticket.
type pathTicket struct {
	Task        uuid.UUID `json:"task"`
	Frequencies int       `json:"frequencies"`
}

// Kind names the job in River's tables.
func (pathTicket) Kind() string { return "path-task" }

// riverSchema is where River keeps its tables.
const riverSchema = "jobq"

// controlQueue exists because a River client must start with one queue; those
// of the benches come and go with their leases.
const controlQueue = "ctl"

var plainQueueName = regexp.MustCompile(`^[a-z0-9]+([_-]?[a-z0-9]+)*$`)

// ticketPoll is how often River looks into the queue of a bench without being told.
// It is told of nearly every ticket; with many benches the looks alone would keep the
// database busy, so that together they stay at about fifty a second.
func (a *Agent) ticketPoll() time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	return max(time.Second, time.Duration(len(a.keepers))*20*time.Millisecond)
}

// queueOf returns the queue of a bench. River takes only some names; a bench
// with another one gets a digest.
func queueOf(bench string) string {
	if name := "bench_" + bench; plainQueueName.MatchString(bench) && len(name) <= 64 {
		return name
	}
	digest := sha256.Sum256([]byte(bench))
	return "bench_x" + hex.EncodeToString(digest[:12])
}

// issue puts a ticket into the queue of the bench, inside the transaction that
// makes its work the next one.
func (a *Agent) issue(ctx context.Context, tx pgx.Tx, bench string, t river.JobArgs) error {
	if _, err := a.river.InsertTx(ctx, tx, t, &river.InsertOpts{Queue: queueOf(bench)}); err != nil {
		return fmt.Errorf("jobs: ticket for %s %+v: %w", t.Kind(), t, err)
	}
	return nil
}

// hasTicket reports whether a ticket waits in the queue of the bench. Jobs that
// River believes to be running do not count: the caller asks only when nothing
// runs, so they belong to a dead process.
func (a *Agent) hasTicket(ctx context.Context, bench string) (bool, error) {
	list, err := a.river.JobList(ctx, river.NewJobListParams().Queues(queueOf(bench)).First(1).States(
		rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRetryable, rivertype.JobStateScheduled))
	if err != nil {
		return false, fmt.Errorf("jobs: looking for tickets of %s: %w", bench, err)
	}
	return len(list.Jobs) > 0, nil
}

// segmentWorker hands tickets to the keeper of their bench.
type segmentWorker struct {
	river.WorkerDefaults[ticket]
	agent *Agent
}

// ticketLife is longer than anything that a ticket may lead to, with all its
// waits for persons. What River believes to be in work for longer is not.
const ticketLife = 48 * time.Hour

// Timeout returns when River may end a segment: never before the segment's own
// limit, which does not count waits for persons.
func (w *segmentWorker) Timeout(*river.Job[ticket]) time.Duration { return ticketLife }

// Work returns nil whatever came of the segment: that stands in our tables. An
// error would put a row back into the queue that a newer attempt may be working.
func (w *segmentWorker) Work(ctx context.Context, job *river.Job[ticket]) error {
	if k := w.agent.keeperOfQueue(job.Queue); k != nil {
		k.work(ctx, job.Args)
	}
	return nil
}

// pathWorker hands tickets of path tasks to the keeper of their bench.
type pathWorker struct {
	river.WorkerDefaults[pathTicket]
	agent *Agent
}

// Timeout returns when River may end a task: never before its own limit.
func (w *pathWorker) Timeout(*river.Job[pathTicket]) time.Duration { return ticketLife }

// Work returns nil whatever came of the task: that stands in our tables.
func (w *pathWorker) Work(ctx context.Context, job *river.Job[pathTicket]) error {
	if k := w.agent.keeperOfQueue(job.Queue); k != nil {
		k.workPath(ctx, job.Args)
	}
	return nil
}

// quickRetry replaces River's retry delays of minutes: only a crash inside
// River itself leads here.
type quickRetry struct{}

// NextRetry returns a time two seconds per attempt ahead.
func (quickRetry) NextRetry(job *rivertype.JobRow) time.Time {
	return time.Now().Add(2 * time.Second * time.Duration(max(1, job.Attempt)))
}
