// Package jobs queues campaigns and drives benches.
//
// The concept on one screen:
//
//	Submit        a plan × radio units × a build becomes a Campaign of Runs,
//	              each cut into Segments; refused as a whole when one unit
//	              could not be measured where it is mounted
//	Agent         a process that holds the lease of some benches and works on them
//	lease         a row with a token that grows with every holder: whoever lost it
//	              can neither write to an instrument nor store a result
//	ticket        a River job {run, segment}; it says that there may be work, the
//	              tables run and run_segment say what the work is
//	segment       the checkpoint: its cases are stored in one fenced transaction
//	release       the scheduler picks the run that a free bench takes next, one at
//	              a time; ETA and MountList work the queue off in thought
//	safe state    nothing transmits, the analyzer is protected, and both are
//	              confirmed; it needs neither server nor database
//	path task     a signal path is measured or checked by a person and the bench; it
//	              goes before runs, and its correction waits for somebody's approval
//	prompt        work waits for a person, with the bench confirmed quiet
//	event         one row per change, for pages and watchers
//
// Measured figures, verdicts and the inventory live in the packages below
// (procedure, conformance, results, lab, plan, scheduler); this one decides what happens
// next, on which bench, and what is left behind when it goes wrong.
package jobs

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// DB is what this package needs of a database; a pool and a transaction both
// have it.
type DB interface {
	Exec(ctx context.Context, sql string, arguments ...any) (pgconn.CommandTag, error)
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Begin(ctx context.Context) (pgx.Tx, error)
}

// idleLimit is how long a transaction may wait for its own client. A process
// that is stopped in the middle of one would hold its row locks, and with them
// the bench that another agent should take over, for as long as it sleeps: the
// server ends its transaction instead.
const idleLimit = 5 * time.Second

// transact runs f in a transaction that the server ends when its client falls silent.
func transact(ctx context.Context, db DB, f func(pgx.Tx) error) error {
	return pgx.BeginFunc(ctx, db, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `SELECT set_config('idle_in_transaction_session_timeout', $1, true)`,
			strconv.FormatInt(idleLimit.Milliseconds(), 10))
		if err != nil {
			return fmt.Errorf("jobs: starting a transaction: %w", err)
		}
		return f(tx)
	})
}

// State is where a run stands.
type State string

// The states of a run. The last three are final; a repeat is a new run.
const (
	Queued    State = "queued"
	Active    State = "active"
	Done      State = "done"
	Error     State = "error" // the run could not be measured to its end; says nothing about the unit
	Cancelled State = "cancelled"
)

// Final reports whether a run in this state never changes again.
func (s State) Final() bool { return s == Done || s == Error || s == Cancelled }

// Activity is what a bench is doing.
type Activity string

// The activities of a bench, as stored.
const (
	Offline    Activity = "offline" // no agent holds its lease
	TakingOver Activity = "taking over"
	Idle       Activity = "idle"
	BringUp    Activity = "bring-up"
	Measuring  Activity = "measuring"
	Safe       Activity = "safe" // going to, or kept in, safe state
	Alarm      Activity = "alarm"
	Waiting    Activity = "waiting" // for a person, see Prompt
)
