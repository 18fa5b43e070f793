// Package retention gives up evidence that a lab does not want to keep, and
// keeps what somebody has asked to be kept.
//
// The concept on one screen:
//
//	policy  of the inventory in force: days after the end of a run
//	move    levels of traces: out of their rows into one object for the run
//	thin    levels of traces, by the verdict of their case; transcripts
//	hold    of a run, a campaign or a unit: nothing of it is moved or thinned
//	        until it is released; who, why and when is recorded
//
// Cases, verdicts, figures and their budgets are never touched; a thinned trace
// keeps its row, which says what was swept, and the run a record of what went,
// when and under which policy. Runs of golden units are not thinned: they are what
// benches are compared with. Work is done in small transactions, by one process
// at a time, and can be interrupted anywhere.
package retention

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/blob"
	"benchyard/jobs/lab"
)

// What can become of the evidence of a run, as it is stored.
const (
	Moved        = "moved"
	PassedTraces = "passed traces"
	OtherTraces  = "other traces"
	Transcripts  = "transcripts"
	Events       = "events" // of no run; not recorded
)

// Locks of the database, any fixed numbers: one process at a time works, and
// nothing is thinned while somebody enters a hold.
const (
	workLock = 0x6b656570 // "keep"
	holdLock = workLock + 1
)

// rule is one line of the policy.
type rule struct {
	what   string
	days   int
	golden bool // runs of golden units too
	sql    string
}

// rules are those of a policy that ask for something. Each statement gets
// the runs of a batch as $1 and gives up what their evidence is in; it returns
// run, pieces and bytes.
func rules(r lab.Retention) (list []rule) {
	const passed = `c.verdict IN ('pass', 'conditional pass')`
	for _, k := range []rule{
		{Moved, r.MoveDays, true, ""},
		{PassedTraces, r.PassedTracesDays, false, thinTraces(passed)},
		{OtherTraces, r.OtherTracesDays, false, thinTraces("NOT " + passed)},
		{Transcripts, r.TranscriptsDays, false, thinTranscripts},
	} {
		if k.days > 0 {
			list = append(list, k)
		}
	}
	return list
}

// due are the ended runs of which something is to go: $1 days, $2 what, $3 golden
// ones too.
const due = `
	FROM run r WHERE r.finished_at < now() - $1 * interval '1 day' AND (NOT r.golden OR $3)
	AND NOT EXISTS (SELECT 1 FROM evidence_change e WHERE e.run_id = r.id AND e.what = $2)
	AND NOT EXISTS (SELECT 1 FROM judgement_run j WHERE j.run_id = r.id AND j.state = 'waiting')`

const notHeld = ` AND NOT EXISTS (SELECT 1 FROM evidence_hold h WHERE h.released_at IS NULL
	AND (h.run_id = r.id OR h.campaign_id = r.campaign_id OR h.serial = r.serial))`

// thinTraces gives up the levels of the cases that match.
func thinTraces(match string) string {
	return `
	WITH gone AS (
		SELECT c.run_id, t.case_id, t.number, coalesce(length(t.levels), t.blob_size) AS bytes
		FROM measured_case c JOIN trace t ON t.case_id = c.id
		WHERE c.run_id = ANY($1) AND ` + match + ` AND (t.levels IS NOT NULL OR t.blob IS NOT NULL)
	), thinned AS (
		UPDATE trace t SET levels = NULL, blob = NULL, blob_from = NULL, blob_size = NULL
		FROM gone WHERE t.case_id = gone.case_id AND t.number = gone.number RETURNING gone.run_id, gone.bytes
	)
	SELECT run_id, count(*), sum(bytes) FROM thinned GROUP BY run_id`
}

const thinTranscripts = `
	WITH gone AS (
		SELECT s.run_id, s.segment, s.attempt, coalesce(length(s.body), b.stored) AS bytes
		FROM transcript s LEFT JOIN blob b ON b.key = s.blob
		WHERE s.run_id = ANY($1) AND (s.body IS NOT NULL OR s.blob IS NOT NULL)
	), thinned AS (
		UPDATE transcript s SET body = NULL, blob = NULL
		FROM gone WHERE (s.run_id, s.segment, s.attempt) = (gone.run_id, gone.segment, gone.attempt) RETURNING gone.run_id, gone.bytes
	)
	SELECT run_id, count(*), sum(bytes) FROM thinned GROUP BY run_id`

// Amount is how much of one kind of evidence goes, or went.
type Amount struct {
	What   string     `json:"what"`
	Days   int        `json:"days"`
	Runs   int        `json:"runs"`
	Held   int        `json:"held"`   // runs that would go but are held
	Pieces int64      `json:"pieces"` // traces, transcripts or events
	Bytes  int64      `json:"bytes"`  // compressed
	Oldest *time.Time `json:"oldest"` // end of the oldest run, time of the oldest event; null: none
}

// Worker does what the policy of the inventory in force asks for.
type Worker struct {
	Pool  *pgxpool.Pool
	Blobs *blob.Store // nil: nothing is moved
}

// Outcome is what one round did.
type Outcome struct {
	Amounts []Amount
	Swept   blob.Swept // objects that nothing names any more
	Busy    bool       // nothing was done: another process is at it
}

// batchRuns is how many runs one transaction thins: some hundred traces each.
const batchRuns = 20

// Round does once everything that is due, and sweeps what nothing names any
// more out of the store of evidence. An error of the store does not keep it from
// thinning.
func (w Worker) Round(ctx context.Context) (o Outcome, err error) {
	policy, text, err := w.policy(ctx)
	if err != nil {
		return o, err
	}
	release, ours, err := w.hold(ctx)
	if err != nil || !ours {
		return Outcome{Busy: err == nil}, err
	}
	defer release()
	var trouble error
	for _, k := range rules(policy) {
		a := Amount{What: k.what, Days: k.days}
		var err error
		for more := true; more && err == nil; {
			if err = ctx.Err(); err != nil {
				break
			}
			if k.what == Moved {
				more, err = w.move(ctx, k, text, &a)
			} else {
				more, err = w.thin(ctx, k, text, &a)
			}
		}
		if err != nil {
			trouble = errors.Join(trouble, fmt.Errorf("retention: %s: %w", k.what, err))
		}
		o.Amounts = append(o.Amounts, a)
	}
	events, err := w.pruneEvents(ctx, eventDays(policy))
	o.Amounts = append(o.Amounts, events)
	trouble = errors.Join(trouble, err)
	if w.Blobs != nil && ctx.Err() == nil {
		o.Swept, err = w.Blobs.Sweep(ctx, blob.Grace)
		trouble = errors.Join(trouble, err)
	}
	return o, trouble
}

// policy is that of the inventory in force, and its words for the record.
func (w Worker) policy(ctx context.Context) (lab.Retention, string, error) {
	l, version, err := lab.Load(ctx, w.Pool, 0)
	if errors.Is(err, lab.ErrNoLab) {
		return lab.Retention{}, "", nil
	}
	if err != nil {
		return lab.Retention{}, "", fmt.Errorf("retention: %w", err)
	}
	return l.Retention, fmt.Sprintf("inventory %d of %s: %s", version, l.Name, l.Retention), nil
}

func eventDays(r lab.Retention) int {
	if r.EventsDays > 0 {
		return r.EventsDays
	}
	return lab.DefaultEventsDays
}

// hold makes this process the one that works, until release or its end.
func (w Worker) hold(ctx context.Context) (release func(), ours bool, err error) {
	conn, err := w.Pool.Acquire(ctx)
	if err != nil {
		return nil, false, fmt.Errorf("retention: %w", err)
	}
	if err := conn.QueryRow(ctx, `SELECT pg_try_advisory_lock($1)`, int64(workLock)).Scan(&ours); err != nil || !ours {
		conn.Release()
		return nil, false, err
	}
	return func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		if _, err := conn.Exec(ctx, `SELECT pg_advisory_unlock($1)`, int64(workLock)); err != nil {
			_ = conn.Conn().Close(ctx) // the lock goes with the connection; the pool drops it
		}
		conn.Release()
	}, true, nil
}

// batch finds runs that are due and locks them against a hold and against a
// judgement that begins, in the transaction that changes them.
func batch(ctx context.Context, tx pgx.Tx, k rule, most int) ([]uuid.UUID, error) {
	if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, int64(holdLock)); err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, `SELECT r.id`+due+notHeld+` ORDER BY r.finished_at LIMIT $4 FOR UPDATE OF r`, k.days, k.what, k.golden, most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
}

// thin gives up what a batch of runs has; more is false when no other is due.
func (w Worker) thin(ctx context.Context, k rule, policy string, a *Amount) (more bool, err error) {
	var round Amount
	err = pgx.BeginFunc(ctx, w.Pool, func(tx pgx.Tx) error {
		runs, err := batch(ctx, tx, k, batchRuns)
		if err != nil || len(runs) == 0 {
			return err
		}
		round.Runs, more = len(runs), len(runs) == batchRuns
		return record(ctx, tx, k, runs, policy, &round)
	})
	if err != nil {
		return false, err
	}
	a.Runs, a.Pieces, a.Bytes = a.Runs+round.Runs, a.Pieces+round.Pieces, a.Bytes+round.Bytes
	return more, nil
}

// record thins the runs and enters what went, for those too that had nothing.
func record(ctx context.Context, tx pgx.Tx, k rule, runs []uuid.UUID, policy string, a *Amount) error {
	rows, err := tx.Query(ctx, k.sql, runs)
	if err != nil {
		return err
	}
	pieces, bytes := map[uuid.UUID]int64{}, map[uuid.UUID]int64{}
	var run uuid.UUID
	var n, size int64
	_, err = pgx.ForEachRow(rows, []any{&run, &n, &size}, func() error {
		pieces[run], bytes[run] = n, size
		a.Pieces, a.Bytes = a.Pieces+n, a.Bytes+size
		return nil
	})
	for _, run := range runs {
		if err == nil {
			err = enter(ctx, tx, run, k.what, policy, pieces[run], bytes[run])
		}
	}
	return err
}

func enter(ctx context.Context, tx pgx.Tx, run uuid.UUID, what, policy string, pieces, bytes int64) error {
	_, err := tx.Exec(ctx, `INSERT INTO evidence_change (run_id, what, policy, pieces, bytes) VALUES ($1, $2, $3, $4, $5)`, run, what, policy, pieces, bytes)
	return err
}

// eventBatch is how many events one transaction deletes.
const eventBatch = 5000

// pruneEvents deletes news that are older than so many days. The newest one
// stays: its number tells readers where they are.
func (w Worker) pruneEvents(ctx context.Context, days int) (a Amount, err error) {
	a = Amount{What: Events, Days: days}
	for ctx.Err() == nil {
		tag, err := w.Pool.Exec(ctx, `DELETE FROM event WHERE id IN (
			SELECT id FROM event WHERE at < now() - $1 * interval '1 day' AND id < (SELECT max(id) FROM event) LIMIT $2)`, days, eventBatch)
		if err != nil {
			return a, fmt.Errorf("retention: events: %w", err)
		}
		a.Pieces += tag.RowsAffected()
		if tag.RowsAffected() < eventBatch {
			break
		}
	}
	return a, ctx.Err()
}
