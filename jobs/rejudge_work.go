package jobs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"time"

	"benchyard/jobs/blob"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"
	"golang.org/x/sync/errgroup"
)

// judgementTicket is the River job: a hint that runs of a batch may be waiting
// to be judged again. It may arrive twice or late; judgement_run decides.
type judgementTicket struct {
	Judgement uuid.UUID `json:"judgement"`
	Batch     int       `json:"batch"`
}

// Kind names the job in River's tables.
func (judgementTicket) Kind() string { return "judgement" }

// issueJudgement puts tickets for the batches into the queue, inside the
// transaction that makes them wait. Whoever asks need not be an agent.
func issueJudgement(ctx context.Context, pool *pgxpool.Pool, tx pgx.Tx, id uuid.UUID, batches int) error {
	client, err := river.NewClient(riverpgxv5.New(pool), &river.Config{Schema: riverSchema, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return fmt.Errorf("jobs: opening the queue: %w", err)
	}
	tickets := make([]river.InsertManyParams, batches)
	for i := range tickets {
		tickets[i] = ticketFor(judgementTicket{id, i + 1})
	}
	if _, err := client.InsertManyTx(ctx, tx, tickets); err != nil {
		return fmt.Errorf("jobs: tickets for judgement %s: %w", id, err)
	}
	return nil
}

func ticketFor(t judgementTicket) river.InsertManyParams {
	return river.InsertManyParams{Args: t, InsertOpts: &river.InsertOpts{Queue: controlQueue}}
}

// judgementWorker works on tickets inside an agent.
type judgementWorker struct {
	river.WorkerDefaults[judgementTicket]
	agent *Agent
}

// Work judges what waits in the batch. An error of the database brings the
// ticket back: doing it twice does no harm.
func (w *judgementWorker) Work(ctx context.Context, job *river.Job[judgementTicket]) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(w.agent.soft, cancel)()
	// Half of the processors: benches are driven from here too.
	_, err := workBatch(ctx, w.agent.Pool, w.agent.Blobs, job.Args, w.agent.Version, (runtime.GOMAXPROCS(0)+1)/2, w.agent.log)
	if err != nil && w.agent.soft.Err() != nil {
		return river.JobSnooze(0) // the agent stops; another goes on
	}
	return err
}

// WorkJudgement judges, in this process, what waits of a judgement and nobody
// else works on, until nothing waits. It may be interrupted at any time and
// called again, here or elsewhere: what is stored stays stored.
func WorkJudgement(ctx context.Context, pool *pgxpool.Pool, store *blob.Store, id uuid.UUID, program string, log *slog.Logger) error {
	for ctx.Err() == nil {
		batches, err := waitingBatches(ctx, pool, &id)
		if err != nil {
			return err
		}
		if len(batches) == 0 {
			return endJudgement(ctx, pool, id, nil)
		}
		worked := false
		for _, t := range batches {
			ours, err := workBatch(ctx, pool, store, t, program, runtime.GOMAXPROCS(0), log)
			if err != nil {
				return err
			}
			worked = worked || ours
		}
		if !worked { // others hold what is left; if they die, it is for us
			pause(ctx, nil, time.Second)
		}
	}
	return context.Cause(ctx)
}

// waitingBatches returns the batches of open judgements, or of one, in which
// runs wait.
func waitingBatches(ctx context.Context, db DB, id *uuid.UUID) ([]judgementTicket, error) {
	rows, err := db.Query(ctx, `
		SELECT j.id, r.batch FROM judgement j JOIN judgement_run r ON r.judgement_id = j.id
		WHERE j.state IN ('queued', 'active') AND r.state = 'waiting' AND ($1::uuid IS NULL OR j.id = $1)
		GROUP BY j.id, r.batch ORDER BY j.asked_at, j.id, r.batch`, id)
	if err != nil {
		return nil, fmt.Errorf("jobs: looking for runs to judge again: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[judgementTicket])
	if err != nil {
		return nil, fmt.Errorf("jobs: looking for runs to judge again: %w", err)
	}
	return found, nil
}

// workBatch judges the runs of a batch that wait, so many at once, unless
// another process works on it: then it is not ours.
func workBatch(ctx context.Context, pool *pgxpool.Pool, store *blob.Store, t judgementTicket, program string, workers int, log *slog.Logger) (ours bool, err error) {
	release, ours, err := holdBatch(ctx, pool, t)
	if err != nil || !ours {
		return false, err
	}
	defer release()
	r, err := openJudgement(ctx, pool, store, t.Judgement, program)
	if errors.Is(err, errOtherLimits) || errors.Is(err, errOtherInventory) {
		return true, endJudgement(ctx, pool, t.Judgement, err)
	}
	if err != nil {
		return true, fmt.Errorf("jobs: judgement %s: %w", t.Judgement, err)
	}
	if r.judgement.Ended() {
		return true, nil
	}
	runs, err := claimBatch(ctx, pool, t)
	if err != nil {
		return true, err
	}
	group, inner := errgroup.WithContext(ctx)
	group.SetLimit(max(1, workers))
	for _, run := range runs {
		group.Go(func() error { return r.judgeRun(inner, run) })
	}
	if err := group.Wait(); err != nil {
		return true, err
	}
	log.DebugContext(ctx, "judged again", "judgement", t.Judgement, "batch", t.Batch, "runs", len(runs))
	return true, endJudgement(ctx, pool, t.Judgement, nil)
}

// holdBatch takes the batch for this process until release; it is free by itself
// when the process dies. Not ours: another process has it.
func holdBatch(ctx context.Context, pool *pgxpool.Pool, t judgementTicket) (release func(), ours bool, err error) {
	conn, err := pool.Acquire(ctx)
	if err != nil {
		return nil, false, fmt.Errorf("jobs: judgement %s, batch %d: %w", t.Judgement, t.Batch, err)
	}
	key := fmt.Sprintf("judgement %s %d", t.Judgement, t.Batch)
	if err := conn.QueryRow(ctx, `SELECT pg_try_advisory_lock(hashtextextended($1, 0))`, key).Scan(&ours); err != nil || !ours {
		conn.Release()
		if err != nil {
			err = fmt.Errorf("jobs: judgement %s, batch %d: %w", t.Judgement, t.Batch, err)
		}
		return nil, false, err
	}
	return func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeLimit)
		defer cancel()
		if _, err := conn.Exec(ctx, `SELECT pg_advisory_unlock(hashtextextended($1, 0))`, key); err != nil {
			_ = conn.Conn().Close(ctx) // the lock goes with the connection; the pool drops it
		}
		conn.Release()
	}, true, nil
}

// claimBatch marks the judgement as begun and returns the runs that wait.
func claimBatch(ctx context.Context, db DB, t judgementTicket) ([]uuid.UUID, error) {
	_, err := db.Exec(ctx, `UPDATE judgement SET state = 'active', started_at = now() WHERE id = $1 AND state = 'queued'`, t.Judgement)
	if err != nil {
		return nil, fmt.Errorf("jobs: judgement %s: %w", t.Judgement, err)
	}
	rows, err := db.Query(ctx, `SELECT run_id FROM judgement_run WHERE judgement_id = $1 AND batch = $2 AND state = 'waiting' ORDER BY run_id`,
		t.Judgement, t.Batch)
	if err != nil {
		return nil, fmt.Errorf("jobs: judgement %s, batch %d: %w", t.Judgement, t.Batch, err)
	}
	runs, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, fmt.Errorf("jobs: judgement %s, batch %d: %w", t.Judgement, t.Batch, err)
	}
	return runs, nil
}

// endJudgement closes a judgement of which nothing waits, or which no program
// can go on with for the given reason.
func endJudgement(ctx context.Context, db DB, id uuid.UUID, cause error) error {
	state, why := Done, ""
	if cause != nil {
		state, why = Error, cause.Error()
	}
	err := transact(ctx, db, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `
			UPDATE judgement j SET state = $2, error = nullif($3, ''), started_at = coalesce(started_at, now()), finished_at = now()
			WHERE id = $1 AND state IN ('queued', 'active') AND ($3 <> '' OR NOT EXISTS (
				SELECT 1 FROM judgement_run r WHERE r.judgement_id = j.id AND r.state = 'waiting'))`, id, state, why)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		return emit(ctx, tx, judgementChange(id, state, "", why))
	})
	if err != nil {
		return fmt.Errorf("jobs: ending judgement %s: %w", id, err)
	}
	return nil
}

// sweepJudgements issues tickets for batches that wait, are in nobody's hands
// and have none: their process was killed, or they were asked for without one.
func (a *Agent) sweepJudgements(ctx context.Context) error {
	waiting, err := waitingBatches(ctx, a.Pool, nil)
	if err != nil || len(waiting) == 0 {
		return err
	}
	issued, err := a.judgementTickets(ctx)
	if err != nil {
		return err
	}
	var missing []river.InsertManyParams
	for _, t := range waiting {
		if issued[t] {
			continue
		}
		release, free, err := holdBatch(ctx, a.Pool, t)
		if err != nil {
			return err
		}
		if free {
			release()
			missing = append(missing, ticketFor(t))
		}
	}
	if len(missing) == 0 {
		return nil
	}
	a.log.InfoContext(ctx, "new tickets for batches to judge again that had none", "batches", len(missing))
	if _, err := a.river.InsertMany(ctx, missing); err != nil {
		return fmt.Errorf("jobs: tickets to judge again: %w", err)
	}
	return nil
}

// mostTickets bounds one look at the queue.
const mostTickets = 10_000

// judgementTickets returns the tickets that wait. Those that River believes to
// be running do not count: whether they are is told by the hold of the batch.
func (a *Agent) judgementTickets(ctx context.Context) (map[judgementTicket]bool, error) {
	list, err := a.river.JobList(ctx, river.NewJobListParams().Queues(controlQueue).Kinds(judgementTicket{}.Kind()).First(mostTickets).States(
		rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRetryable, rivertype.JobStateScheduled))
	if err != nil {
		return nil, fmt.Errorf("jobs: looking for tickets to judge again: %w", err)
	}
	issued := make(map[judgementTicket]bool, len(list.Jobs))
	for _, row := range list.Jobs {
		var t judgementTicket
		if err := json.Unmarshal(row.EncodedArgs, &t); err == nil {
			issued[t] = true
		}
	}
	return issued, nil
}

// followJudgements sweeps now and then.
func (a *Agent) followJudgements(ctx context.Context) {
	for ctx.Err() == nil {
		if err := a.sweepJudgements(ctx); err != nil && ctx.Err() == nil {
			a.log.WarnContext(ctx, "judging again was not looked after", "error", err)
		}
		pause(ctx, nil, 2*a.Timings.Poll)
	}
}

// AgentAlive reports whether some agent holds a bench, and so would work on
// tickets.
func AgentAlive(ctx context.Context, db DB) (alive bool, err error) {
	if err := db.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM bench_lease WHERE expires_at > now())`).Scan(&alive); err != nil {
		return false, fmt.Errorf("jobs: looking for agents: %w", err)
	}
	return alive, nil
}
