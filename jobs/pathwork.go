package jobs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"runtime/debug"
	"slices"
	"time"

	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// pathJob is a path task while it is worked on.
type pathJob struct {
	id       uuid.UUID
	request  PathRequest
	plan     pathSetup
	readings []calibration.Reading
	pace     pace
	told     time.Time // when the tables were last told of the progress
}

// nextPath looks after the path tasks of a bench without work. It reports whether
// one waits: no run begins before it. What a process has left behind that is gone
// is ended first.
func (t *tenure) nextPath(ctx context.Context) (waits bool, err error) {
	var left bool
	var next *uuid.UUID
	var frequencies int
	err = t.agent.Pool.QueryRow(ctx, `
		SELECT EXISTS (SELECT 1 FROM path_task p JOIN bench b ON b.name = p.bench
		    WHERE p.bench = $1 AND (p.state = 'active' OR p.displaced AND b.hold_reason IS NULL)), n.id, coalesce(n.frequencies, 0)
		FROM (SELECT 1) one LEFT JOIN LATERAL (
		    SELECT id, cardinality(frequencies_hz) AS frequencies FROM path_task WHERE bench = $1 AND state = 'queued' ORDER BY asked_at, id LIMIT 1
		) n ON true`, t.bench).Scan(&left, &next, &frequencies)
	if err != nil {
		return false, fmt.Errorf("jobs: reading the path tasks of %s: %w", t.bench, err)
	}
	if left {
		return true, t.endLeftPaths(ctx)
	}
	if next == nil {
		return false, nil
	}
	if err := t.block(ctx, "a signal path of the bench is measured first"); err != nil {
		return true, err
	}
	if issued, err := t.agent.hasTicket(ctx, t.bench); issued || err != nil {
		return true, err
	}
	return true, t.lease.fenced(ctx, func(tx pgx.Tx) error {
		return t.agent.issue(ctx, tx, t.bench, pathTicket{*next, frequencies})
	})
}

// endLeftPaths ends tasks that nobody works on any more, and holds the bench where
// the end of a path may be anywhere. No task can begin meanwhile.
func (t *tenure) endLeftPaths(ctx context.Context) error {
	ctx, end, ok := t.begin(ctx, uuid.Nil)
	if !ok {
		return nil
	}
	defer end()
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `UPDATE path_task SET state = 'error', finished_at = now(), updated_at = now(), doing = '',
			error = 'whoever worked on it is gone; ask for it again' WHERE bench = $1 AND state = 'active' RETURNING id`, t.bench)
		if err != nil {
			return err
		}
		ended, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		if err != nil {
			return err
		}
		changes, err := holdDisplaced(ctx, tx, t.bench)
		if err != nil {
			return err
		}
		for _, id := range ended {
			changes = append(changes, taskChange(t.bench, id, Error, ""))
		}
		return emit(ctx, tx, changes...)
	})
	if err != nil {
		return fmt.Errorf("jobs: ending path tasks of %s: %w", t.bench, err)
	}
	return nil
}

// alsoHold holds a bench for one more reason.
func alsoHold(ctx context.Context, tx pgx.Tx, bench, reason, by string) (change, error) {
	return writeBench(ctx, tx, bench, `UPDATE bench SET hold_reason = concat_ws('; ', hold_reason, $2::text), updated_at = now() WHERE name = $1`,
		reason, eventBody{Text: "held: " + reason, By: by})
}

// heedPath ends work on a path task that was cancelled.
func (t *tenure) heedPath(ctx context.Context, current *work) error {
	var open bool
	err := t.agent.Pool.QueryRow(ctx, `SELECT state IN ('queued', 'active') FROM path_task WHERE id = $1`, current.path).Scan(&open)
	if err != nil {
		return fmt.Errorf("jobs: reading path task %s: %w", current.path, err)
	}
	if !open {
		current.cancel(errWithdrawn)
	}
	return nil
}

// workPath is one ticket: claim its task, do it, store what came of it.
func (k *keeper) workPath(ctx context.Context, tk pathTicket) {
	t := k.held()
	if t == nil {
		return
	}
	ctx, end, ok := t.occupy(ctx, work{path: tk.Task}, t.agent.Timings.Segment+2*paceOf(tk.Frequencies).left())
	if !ok {
		return
	}
	defer end()
	j, err := t.claimPath(ctx, tk.Task)
	if err != nil || j == nil {
		if err != nil {
			t.log.WarnContext(ctx, "the path task was not claimed", "task", tk.Task, "error", err)
		}
		return
	}
	result, err := t.measurePath(ctx, j)
	t.endPath(ctx, j, result, err)
	t.share(ctx)
}

// gatherForPath is gather for a task: with everything that the bench names, the
// power meter too.
func (t *tenure) gatherForPath(ctx context.Context) error {
	b, err := t.rig.bench()
	if err != nil {
		return err
	}
	var names []string
	for _, i := range t.rig.inventory().InstrumentsOn(b) {
		names = append(names, i.Name)
	}
	return t.gather(ctx, uuid.Nil, names...)
}

// claimPath makes a task ours; nil when it waits no more or a run is active.
func (t *tenure) claimPath(ctx context.Context, id uuid.UUID) (*pathJob, error) {
	j := &pathJob{id: id, request: PathRequest{PathPlace: PathPlace{Bench: t.bench}}}
	r := &j.request
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `
			UPDATE path_task SET state = 'active', token = $3, started_at = now(), updated_at = now(), program_version = $4
			WHERE id = $1 AND bench = $2 AND state = 'queued' AND NOT EXISTS (SELECT 1 FROM run WHERE run.bench = $2 AND run.state = 'active')
			RETURNING kind, slot, connector, frequencies_hz, level_dbm, asked_by`, id, t.bench, t.lease.token, t.agent.Version).
			Scan(&r.Kind, &r.Slot, &r.Connector, &r.Frequencies, &r.Level, &r.By)
		if err != nil {
			return err
		}
		return emit(ctx, tx, taskChange(t.bench, id, Active, r.By))
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	j.pace = paceOf(len(r.Frequencies))
	return j, err
}

// measurePath takes the readings of a task, with everything confirmed off before
// a person touches a cable, and computes what they say. The path is back on its
// connector when the error is nil.
func (t *tenure) measurePath(ctx context.Context, j *pathJob) (result *PathResult, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("jobs: panic: %v", p)
			t.log.ErrorContext(ctx, "panic while measuring a path", "task", j.id, "panic", p, "stack", string(debug.Stack()))
		}
	}()
	t.rig.transcript.reset()
	t.setActivity(ctx, BringUp, fmt.Sprintf("preparing to %s slot %d connector %d", j.request.Kind, j.request.Slot, j.request.Connector), nil)
	t.rig.unsafe()
	if err := t.makeSafe("start of a path task"); err != nil {
		return nil, err
	}
	if err := t.gatherForPath(ctx); err != nil {
		return nil, err
	}
	t.rig.fix()
	if j.plan, err = j.request.plan(t.rig.inventory(), lab.DateOf(t.agent.Clock())); err != nil {
		return nil, err
	}
	if err := t.readGenerator(ctx, j); err != nil {
		return nil, err
	}
	if err := t.readPath(ctx, j); err != nil {
		return nil, err
	}
	if err := t.makeSafe("the path was measured"); err != nil {
		return nil, err
	}
	if err := t.restorePath(ctx, j); err != nil {
		return nil, err
	}
	return j.result()
}

// result computes the losses with their budgets.
func (j *pathJob) result() (*PathResult, error) {
	r := &PathResult{Readings: j.readings, Equipment: j.plan.equipment}
	var err error
	if j.request.Kind == MeasurePath {
		r.Losses, err = calibration.Table(j.readings, r.Equipment)
		return r, err
	}
	if r.Losses, err = calibration.Losses(j.readings, r.Equipment); err != nil {
		return nil, err
	}
	r.Limit = calibration.CheckLimit
	r.Check, r.passed, err = calibration.Check(j.plan.path.Correction, r.Losses, r.Limit)
	return r, err
}

// endPath drives the bench to its safe state and stores what came of a task.
// Nothing but a task that was done to its end is stored as a measurement.
func (t *tenure) endPath(ctx context.Context, j *pathJob, result *PathResult, err error) {
	reason := "end of a path task"
	if err != nil {
		reason = err.Error()
	}
	if unsafe := t.makeSafe(reason); unsafe != nil {
		err = errors.Join(err, unsafe)
	}
	if errors.Is(err, errFenced) || errors.Is(context.Cause(ctx), errFenced) {
		t.log.InfoContext(ctx, "path task dropped", "task", j.id, "cause", err)
		return
	}
	problem := t.storePath(ctx, j, result, err)
	if problem != nil && err == nil { // it was refused, or the tables are out of reach for a moment
		problem = t.storePath(ctx, j, nil, problem)
	}
	if problem != nil { // it is ended as an error when the tables can be reached
		t.log.ErrorContext(ctx, "the end of a path task was not stored", "task", j.id, "error", problem)
	}
}

// storePath writes the end of a task in one fenced transaction: for nil the
// measurement and what follows from it, else the error. One that was cancelled
// only keeps its transcript.
func (t *tenure) storePath(ctx context.Context, j *pathJob, result *PathResult, cause error) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeLimit)
	defer cancel()
	release := context.AfterFunc(t.ctx, func() {
		if errors.Is(context.Cause(t.ctx), errFenced) {
			cancel()
		}
	})
	defer release()
	_, transcript, err := t.rig.transcript.packed()
	if err != nil {
		t.log.WarnContext(ctx, "the transcript is lost", "error", err)
	}
	return t.lease.fenced(ctx, func(tx pgx.Tx) error {
		var state State
		err := tx.QueryRow(ctx, `UPDATE path_task SET transcript = $2, doing = '', updated_at = now() WHERE id = $1 RETURNING state`, j.id, transcript).Scan(&state)
		if err != nil {
			return err
		}
		changes, err := holdDisplaced(ctx, tx, t.bench)
		if err != nil {
			return err
		}
		switch {
		case state != Active: // cancelled
		case cause != nil:
			_, err = tx.Exec(ctx, `UPDATE path_task SET state = 'error', error = $2, finished_at = now() WHERE id = $1`, j.id, cause.Error())
			changes = append(changes, taskChange(t.bench, j.id, Error, ""))
		default:
			var more []change
			more, err = t.finishPath(ctx, tx, j, result)
			changes = append(append(changes, more...), taskChange(t.bench, j.id, Done, ""))
		}
		if err != nil {
			return err
		}
		return emit(ctx, tx, changes...)
	})
}

// finishPath stores a measurement with its proposal, or a check with what follows
// from it: one that fails holds the bench, one that passes lets the correction in
// force hold for the elements that the path has now.
func (t *tenure) finishPath(ctx context.Context, tx pgx.Tx, j *pathJob, result *PathResult) (changes []change, err error) {
	place, at := j.request.PathPlace, t.agent.Clock()
	origin := fmt.Sprintf("path task %s", j.id)
	var passed *bool
	var proposal *uuid.UUID
	if j.request.Kind == MeasurePath {
		made, err := Propose(ctx, tx, PathProposal{
			PathPlace: place, Source: MeasuredPath, Origin: origin, MeasuredBy: j.request.By, MeasuredAt: at,
			Elements: j.plan.path.Elements, Analyzer: j.plan.bench.Analyzer, Rows: result.Losses, Readings: result.Readings,
		})
		if err != nil {
			return nil, err
		}
		proposal = &made
	} else {
		passed = &result.passed
	}
	_, err = tx.Exec(ctx, `UPDATE path_task SET state = 'done', finished_at = now(), left_s = 0, readings = $5, result = $2, passed = $3, proposal_id = $4 WHERE id = $1`,
		j.id, result, passed, proposal, j.pace.metered+j.pace.swept)
	switch {
	case err != nil || passed == nil:
		return nil, err
	case !*passed:
		held, err := alsoHold(ctx, tx, t.bench, failedCheck(place, result), "path task")
		return []change{held}, err
	}
	// Last, for it writes an event, whose lock is held to the end of the transaction.
	_, _, err = Confirm(ctx, tx, PathCheck{
		PathPlace: place, Elements: j.plan.path.Elements, By: j.request.By, At: at, Origin: origin, Rows: result.Losses,
	})
	return nil, err
}

// failedCheck says why a check holds its bench.
func failedCheck(place PathPlace, r *PathResult) string {
	worst := slices.MaxFunc(r.Check, func(a, b calibration.Difference) int {
		return cmp.Compare(math.Abs(float64(a.Difference)), math.Abs(float64(b.Difference)))
	})
	return fmt.Sprintf("check of the path of slot %d connector %d: %+.2f dB off its correction at %s, more than %s; look at cables, connectors and pads, measure the path again and have it approved, then release the bench",
		place.Slot, place.Connector, float64(worst.Difference), worst.Frequency, r.Limit)
}
