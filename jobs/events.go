package jobs

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Event is one change that a page or a watcher may want to show. Events are
// hints: they say what to look at again, the tables say how it is.
type Event struct {
	ID       int64 // rises in the order in which changes became visible
	At       time.Time
	Kind     string     // "bench", "campaign", "run", "segment", "prompt", "path task", "agent", "lab", "judgement", "schedule", "build" or "webhook"
	Campaign *uuid.UUID // nil where the event concerns none
	Run      *uuid.UUID // nil where the event concerns none
	Bench    string     // empty where the event concerns none
	Body     json.RawMessage
}

// Kinds of event.
const (
	benchEvent    = "bench"
	campaignEvent = "campaign"
	runEvent      = "run"
	segmentEvent  = "segment"
	promptEvent   = "prompt"
	pathTaskEvent = "path task"
	scheduleEvent = "schedule"
	buildEvent    = "build"
	webhookEvent  = "webhook"
	agentEvent    = "agent"
)

// eventLock is the advisory lock that makes events visible in the order of
// their numbers: a reader that asks for "after 41" never misses a 40 that was
// committed late.
const eventLock = 0x62656e6368

// eventBody is the small document in an event.
type eventBody struct {
	State    State    `json:"state,omitempty"`
	Activity Activity `json:"activity,omitempty"`
	Doing    string   `json:"doing,omitempty"`
	Alarm    string   `json:"alarm,omitempty"`
	Verdict  string   `json:"verdict,omitempty"`
	Serial   string   `json:"serial,omitempty"`
	Segment  int      `json:"segment,omitempty"`
	Cases    int      `json:"cases,omitempty"`
	By       string   `json:"by,omitempty"`
	Text     string   `json:"text,omitempty"`
	// Judgement is the id of what was judged again; only with the kind "judgement".
	Judgement string `json:"judgement,omitempty"`
	// PathTask is the id of a task about a signal path; only with the kind "path task".
	PathTask string `json:"path_task,omitempty"`
	Schedule string `json:"schedule,omitempty"` // name; only with the kind "schedule"
	Build    string `json:"build,omitempty"`    // only with the kind "build"
}

// change is an event about to be written.
type change struct {
	kind     string
	campaign *uuid.UUID
	run      *uuid.UUID
	bench    string
	body     eventBody
	message  *message // for webhooks, where it does not follow from the rest; nil: none
}

// emit writes events inside a transaction. It must be the last statement
// before the commit: the lock it takes is held until then.
func emit(ctx context.Context, tx pgx.Tx, changes ...change) error {
	var batch pgx.Batch
	batch.Queue(`SELECT pg_advisory_xact_lock($1)`, int64(eventLock))
	for _, c := range changes {
		batch.Queue(`INSERT INTO event (kind, campaign_id, run_id, bench, body) VALUES ($1, $2, $3, nullif($4, ''), $5)`,
			c.kind, c.campaign, c.run, c.bench, c.body)
	}
	tellWebhooks(&batch, changes)
	if err := tx.SendBatch(ctx, &batch).Close(); err != nil {
		return fmt.Errorf("jobs: writing events: %w", err)
	}
	return nil
}

// EventsAfter returns up to limit events with a number above id, oldest first.
func EventsAfter(ctx context.Context, db DB, id int64, limit int) ([]Event, error) {
	rows, err := db.Query(ctx, `SELECT id, at, kind, campaign_id, run_id, coalesce(bench, ''), body
		FROM event WHERE id > $1 ORDER BY id LIMIT $2`, id, limit)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading events after %d: %w", id, err)
	}
	events, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Event])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading events after %d: %w", id, err)
	}
	return events, nil
}

// LastEvent returns the number of the newest event, 0 when there is none.
func LastEvent(ctx context.Context, db DB) (int64, error) {
	var id int64
	if err := db.QueryRow(ctx, `SELECT coalesce(max(id), 0) FROM event`).Scan(&id); err != nil {
		return 0, fmt.Errorf("jobs: reading the newest event: %w", err)
	}
	return id, nil
}

// newRunChange is an event about a run that is still to be named.
func newRunChange(bench string, state State, text string) change {
	return change{kind: runEvent, run: new(uuid.UUID), campaign: new(uuid.UUID), bench: bench, body: eventBody{State: state, Text: text}}
}
