package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// PathTaskKind is what shall be done with a signal path.
type PathTaskKind string

// The kinds of task, as stored.
const (
	MeasurePath PathTaskKind = "measure" // a correction over frequency, as a proposal
	CheckPath   PathTaskKind = "check"   // a few frequencies against the correction in force
)

// PathRequest asks for a signal path to be measured or checked with the generator
// and the power meter of its bench. A person has to be at the bench: the generator's
// cable goes to the power meter, then to the end of the path.
type PathRequest struct {
	Kind PathTaskKind
	PathPlace
	Frequencies []rf.Hertz // rising; none with CheckPath: a few of the correction in force
	Level       rf.DBm     // of the generator; the analyzer must stand it without any loss
	By          string     // who asks
}

// PathTask is one request and what became of it.
type PathTask struct {
	ID   uuid.UUID
	Kind PathTaskKind
	PathPlace
	Frequencies []rf.Hertz
	Level       rf.DBm
	By          string
	AskedAt     time.Time
	State       State
	Error       string // why it ended before it was done; empty: it did not
	EndedBy     string // who cancelled it
	StartedAt   *time.Time
	FinishedAt  *time.Time
	Doing       string        // one line for people
	Readings    int           // taken so far, of two for each frequency
	Left        time.Duration // of taking readings, as of UpdatedAt; persons may take any time
	UpdatedAt   time.Time
	Passed      *bool       // of a check that is done
	Proposal    *uuid.UUID  // the correction that a measurement proposed
	Result      *PathResult // of a task that is done; lists leave it out
	Program     string      // version of the program that did it
	Prompt      *uuid.UUID  // what a person is asked to do for it now; nil: nothing
}

// PathResult is what a task measured.
type PathResult struct {
	Readings  []calibration.Reading    `json:"readings"`
	Equipment calibration.Equipment    `json:"equipment"`
	Losses    []calibration.Row        `json:"losses"`             // with their budgets
	Limit     rf.DB                    `json:"limit_db,omitempty"` // of a check
	Check     []calibration.Difference `json:"check,omitempty"`    // against the correction in force

	passed bool // the check
}

// PathTaskRefusedError is returned for a path that cannot be measured as asked.
// Nothing was queued, or switched on.
type PathTaskRefusedError struct {
	Problems []string // every one, each saying what, where and what to do
}

// Error lists every problem on a line of its own.
func (e *PathTaskRefusedError) Error() string {
	return "jobs: the path cannot be measured as asked: " + strings.Join(e.Problems, "\n")
}

// QueuePathTask queues a task at its bench, whose agent begins it before any run
// that waits, also on a bench that is held. What the inventory in force cannot do
// is refused with a *PathTaskRefusedError.
func QueuePathTask(ctx context.Context, db DB, r PathRequest, now time.Time) (PathTask, error) {
	l, _, err := lab.Load(ctx, db, 0)
	if err != nil {
		return PathTask{}, fmt.Errorf("jobs: queueing a path: %w", err)
	}
	r.By = strings.TrimSpace(r.By)
	p, err := r.plan(l, lab.DateOf(now))
	if err != nil {
		return PathTask{}, err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return PathTask{}, fmt.Errorf("jobs: queueing a path: %w", err)
	}
	err = transact(ctx, db, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
			INSERT INTO path_task (id, kind, bench, slot, connector, frequencies_hz, level_dbm, asked_by, left_s)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`,
			id, r.Kind, r.Bench, r.Slot, r.Connector, p.frequencies, r.Level, r.By, paceOf(len(p.frequencies)).left().Seconds())
		if err != nil {
			return fmt.Errorf("jobs: queueing a path: %w", err)
		}
		if tag.RowsAffected() == 0 {
			return &PathTaskRefusedError{[]string{"a task like this is waiting or in work already; see benchyard path tasks"}}
		}
		return emit(ctx, tx, taskChange(r.Bench, id, Queued, r.By))
	})
	if err != nil {
		return PathTask{}, err
	}
	return PathTaskByID(ctx, db, id)
}

// taskChange is the event of a task.
func taskChange(bench string, id uuid.UUID, state State, by string) change {
	return change{kind: pathTaskEvent, bench: bench, body: eventBody{State: state, By: by, PathTask: id.String()}}
}

// CancelPathTask ends a task that waits or is in work; its bench goes to the safe
// state and nothing is proposed. It returns ErrNotFound for an unknown task and
// ErrEnded for one that has ended.
func CancelPathTask(ctx context.Context, db DB, id uuid.UUID, by string) error {
	err := transact(ctx, db, func(tx pgx.Tx) error {
		var bench string
		err := tx.QueryRow(ctx, `UPDATE path_task SET state = 'cancelled', ended_by = $2, finished_at = now(), updated_at = now()
			WHERE id = $1 AND state IN ('queued', 'active') RETURNING bench`, id, by).Scan(&bench)
		if errors.Is(err, pgx.ErrNoRows) {
			if _, err := PathTaskByID(ctx, tx, id); err != nil {
				return err
			}
			return ErrEnded
		}
		if err != nil {
			return err
		}
		return emit(ctx, tx, taskChange(bench, id, Cancelled, by))
	})
	if err != nil {
		return fmt.Errorf("jobs: cancelling path task %s: %w", id, err)
	}
	return nil
}

const pathTaskQuery = `
	SELECT t.id, t.kind, t.bench, t.slot, t.connector, t.frequencies_hz, t.level_dbm, t.asked_by, t.asked_at, t.state, coalesce(t.error, ''),
	       coalesce(t.ended_by, ''), t.started_at, t.finished_at, t.doing, t.readings, (t.left_s * 1e9)::bigint, t.updated_at, t.passed, t.proposal_id,
	       CASE WHEN $1 THEN t.result END, t.program_version,
	       (SELECT p.id FROM prompt p JOIN bench_lease l ON l.bench = p.bench AND l.token = p.token AND l.holder <> '' AND l.expires_at > now()
	        WHERE p.task_id = t.id AND p.state = 'open')
	FROM path_task t`

// PathTasks returns the newest tasks, at most limit, the newest first; zero means
// all. An empty bench means every bench.
func PathTasks(ctx context.Context, db DB, bench string, limit int) ([]PathTask, error) {
	return pathTasks(ctx, db, pathTaskQuery+` WHERE $2 = '' OR t.bench = $2 ORDER BY t.asked_at DESC, t.id DESC LIMIT nullif($3, 0)`, false, bench, limit)
}

// PathTaskByID returns one task, or ErrNotFound.
func PathTaskByID(ctx context.Context, db DB, id uuid.UUID) (PathTask, error) {
	found, err := pathTasks(ctx, db, pathTaskQuery+` WHERE t.id = $2`, true, id)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("jobs: path task %s: %w", id, ErrNotFound)
	}
	if err != nil {
		return PathTask{}, err
	}
	return found[0], nil
}

func pathTasks(ctx context.Context, db DB, sql string, args ...any) ([]PathTask, error) {
	rows, err := db.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading path tasks: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[PathTask])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading path tasks: %w", err)
	}
	return found, nil
}
