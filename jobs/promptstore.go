package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// PromptStatus is a prompt as pages and watchers see it.
type PromptStatus struct {
	ID         uuid.UUID
	Bench      string
	Run        *uuid.UUID // nil: asked for no run
	PathTask   *uuid.UUID // nil: asked for none
	Serial     string     // of the unit of the run, empty without one
	Kind       PromptKind
	Text       string
	Cautions   []string
	Confirmed  []string // what was confirmed before anybody was asked
	AskedAt    time.Time
	ExpiresAt  time.Time
	State      PromptState
	AnsweredBy string
	Note       string
	EndedAt    *time.Time // nil while it is open
}

// Reply is what a person says to a prompt.
type Reply struct {
	By     string // name; required
	Cannot bool   // it cannot be done; Note says why
	Note   string
}

// ReplyError is returned for an answer that cannot be stored as it is.
type ReplyError struct{ Problem string }

// Error says what is missing.
func (e *ReplyError) Error() string { return "jobs: answer to a prompt: " + e.Problem }

// wanted holds for a prompt p that somebody waits for: the lease lives under which it
// was asked, since whoever takes the bench over asks again, and the run or path task
// for which it was asked has not ended.
const wanted = `EXISTS (SELECT 1 FROM bench_lease l WHERE l.bench = p.bench AND l.token = p.token AND l.holder <> '' AND l.expires_at > now())
	AND NOT EXISTS (SELECT 1 FROM run w WHERE w.id = p.run_id AND w.state NOT IN ('queued', 'active'))
	AND NOT EXISTS (SELECT 1 FROM path_task w WHERE w.id = p.task_id AND w.state <> 'active')`

// A prompt is open only while it is wanted.
const promptQuery = `
	SELECT p.id, p.bench, p.run_id, p.task_id, coalesce(r.serial, ''), p.kind, p.instruction, p.cautions, p.confirmed, p.asked_at, p.expires_at,
	       CASE WHEN p.state = 'open' AND NOT (` + wanted + `) THEN 'withdrawn' ELSE p.state END AS now, coalesce(p.answered_by, ''), p.note, p.ended_at
	FROM prompt p LEFT JOIN run r ON r.id = p.run_id`

// OpenPrompts returns what persons are asked to do now, longest waiting first.
func OpenPrompts(ctx context.Context, db DB) ([]PromptStatus, error) {
	return prompts(ctx, db, `SELECT * FROM (`+promptQuery+` WHERE p.state = 'open') open WHERE now = 'open' ORDER BY asked_at`)
}

// PromptsOf returns every prompt of a run in the order in which they were asked:
// who mounted what, moved which cable and confirmed its terminations.
func PromptsOf(ctx context.Context, db DB, run uuid.UUID) ([]PromptStatus, error) {
	return prompts(ctx, db, promptQuery+` WHERE p.run_id = $1 ORDER BY p.asked_at, p.id`, run)
}

// PromptsOfPathTask returns every prompt of a path task in the order in which they
// were asked: who joined the generator to what, and who put the path back.
func PromptsOfPathTask(ctx context.Context, db DB, task uuid.UUID) ([]PromptStatus, error) {
	return prompts(ctx, db, promptQuery+` WHERE p.task_id = $1 ORDER BY p.asked_at, p.id`, task)
}

// PromptByID returns one prompt, or ErrNotFound.
func PromptByID(ctx context.Context, db DB, id uuid.UUID) (PromptStatus, error) {
	found, err := prompts(ctx, db, promptQuery+` WHERE p.id = $1`, id)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("jobs: prompt %s: %w", id, ErrNotFound)
	}
	if err != nil {
		return PromptStatus{}, err
	}
	return found[0], nil
}

func prompts(ctx context.Context, db DB, sql string, args ...any) ([]PromptStatus, error) {
	rows, err := db.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading prompts: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[PromptStatus])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading prompts: %w", err)
	}
	return found, nil
}

// AnswerPrompt stores what a person says to a prompt, and the bench goes on or
// gives up. It returns ErrNotFound for an unknown prompt, ErrEnded when nobody
// waits for the answer any more, and a *ReplyError when the reply has no name, or
// no reason why it cannot be done.
func AnswerPrompt(ctx context.Context, db DB, id uuid.UUID, r Reply) error {
	r.By, r.Note = strings.TrimSpace(r.By), strings.TrimSpace(r.Note)
	state := PromptDone
	if r.Cannot {
		state = PromptCannot
	}
	switch {
	case r.By == "":
		return &ReplyError{"it needs the name of who gives it"}
	case r.Cannot && r.Note == "":
		return &ReplyError{"say why it cannot be done"}
	}
	err := transact(ctx, db, func(tx pgx.Tx) error {
		c := change{kind: promptEvent, body: eventBody{By: r.By, Text: string(state)}}
		err := tx.QueryRow(ctx, `
			UPDATE prompt p SET state = $2, answered_by = $3, note = $4, ended_at = now()
			WHERE id = $1 AND state = 'open' AND expires_at > now() AND `+wanted+`
			RETURNING bench, run_id`, id, state, r.By, r.Note).Scan(&c.bench, &c.run)
		if errors.Is(err, pgx.ErrNoRows) {
			if _, err := PromptByID(ctx, tx, id); err != nil {
				return err
			}
			return ErrEnded
		}
		if err != nil {
			return err
		}
		return emit(ctx, tx, c)
	})
	if err != nil {
		return fmt.Errorf("jobs: answering prompt %s: %w", id, err)
	}
	return nil
}

// promptAnswer returns where a prompt stands. Who asks holds the lease.
func promptAnswer(ctx context.Context, db DB, id uuid.UUID) (PromptState, Answer, error) {
	var state PromptState
	a := Answer{ID: id}
	var at *time.Time
	err := db.QueryRow(ctx, `SELECT state, coalesce(answered_by, ''), note, ended_at FROM prompt WHERE id = $1`, id).
		Scan(&state, &a.By, &a.Note, &at)
	if err != nil {
		return "", a, fmt.Errorf("jobs: prompt %s: %w", id, err)
	}
	if at != nil {
		a.At = *at
	}
	return state, a, nil
}

// idOrNull is how an identity is stored that may be missing.
func idOrNull(id uuid.UUID) *uuid.UUID {
	if id == uuid.Nil {
		return nil
	}
	return &id
}

// post stores a prompt, and with it what was confirmed before. What an earlier
// holder of the bench asked is withdrawn.
func (t *tenure) post(ctx context.Context, p Prompt, confirmed SafetyReport) (uuid.UUID, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return id, fmt.Errorf("jobs: asking to %s: %w", p.Kind, err)
	}
	var steps []string
	for _, s := range confirmed.Steps {
		steps = append(steps, s.Name)
	}
	run := idOrNull(p.Run)
	err = t.lease.fenced(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE prompt SET state = 'withdrawn', note = 'the bench was taken over', ended_at = now()
			WHERE bench = $1 AND state = 'open'`, t.bench)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `
			INSERT INTO prompt (id, bench, token, run_id, task_id, kind, instruction, cautions, confirmed, expires_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, coalesce($9::text[], '{}'), now() + $10 * interval '1 second')`,
			id, t.bench, t.lease.token, run, idOrNull(p.PathTask), p.Kind, p.Text, p.cautions(), steps, p.Timeout.Seconds())
		if err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: promptEvent, run: run, bench: t.bench, body: eventBody{Text: string(PromptOpen), Doing: p.Text}})
	})
	if err != nil {
		return id, fmt.Errorf("jobs: asking to %s: %w", p.Kind, err)
	}
	return id, nil
}

// endPrompt ends a prompt that was not answered, whatever became of ctx. It
// reports whether it did: an answer that came before stands.
func (t *tenure) endPrompt(ctx context.Context, id uuid.UUID, state PromptState, why string) bool {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), t.agent.Timings.SafeStep)
	defer cancel()
	ended := false
	err := transact(ctx, t.agent.Pool, func(tx pgx.Tx) error {
		c := change{kind: promptEvent, bench: t.bench, body: eventBody{Text: string(state)}}
		err := tx.QueryRow(ctx, `UPDATE prompt SET state = $2, note = $3, ended_at = now() WHERE id = $1 AND state = 'open' RETURNING run_id`,
			id, state, why).Scan(&c.run)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if ended = err == nil; !ended {
			return err
		}
		return emit(ctx, tx, c)
	})
	if err != nil { // pages do not show it once the lease is gone
		t.log.WarnContext(ctx, "the end of a prompt was not stored", "prompt", id, "state", state, "error", err)
		return false
	}
	return ended
}
