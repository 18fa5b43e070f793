package jobs

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/webhook"
)

// mostWebhooks bounds how many there are: each may be worked on at the same time.
const mostWebhooks = 100

// longestRotation bounds how long an old secret goes on signing.
const longestRotation = 30 * 24 * time.Hour

// WebhookStatus is a webhook as it stands, without its secret.
type WebhookStatus struct {
	ID            uuid.UUID
	URL           string
	Types         []string // kinds of message; empty: all
	State         string   // active, disabled or removed
	Reason        string   // why it is disabled
	PreviousUntil *time.Time
	CreatedBy     string
	CreatedAt     time.Time

	Waiting   int // messages on their way
	Delivered int
	Dead      int // messages that were given up
	LastError string
	LastAt    *time.Time // of the newest attempt
}

// Delivery is a message on its way to one webhook.
type Delivery struct {
	ID       int64
	Webhook  uuid.UUID
	Message  uuid.UUID // the id that the receiver sees
	Type     string
	Subject  string
	At       time.Time // when it happened
	State    string    // waiting, delivered or dead
	Attempts int
	NextAt   *time.Time // of the next attempt; nil: none
	Status   int        // of the last answer; zero: none
	Error    string     // of the last attempt
	LastAt   *time.Time // of the last attempt
}

// AddWebhook stores a webhook for messages of the given kinds, none for all, and
// returns its secret, which is shown this once.
func AddWebhook(ctx context.Context, db DB, url string, kinds []string, by string) (WebhookStatus, webhook.Secret, error) {
	var problems []string
	if err := webhook.CheckURL(url); err != nil {
		problems = append(problems, err.Error())
	}
	for _, k := range kinds {
		if !slices.Contains(MessageKinds(), k) {
			problems = append(problems, fmt.Sprintf("there are no messages of the kind %q; there are %s", k, strings.Join(MessageKinds(), ", ")))
		}
	}
	var there int
	if err := db.QueryRow(ctx, `SELECT count(*) FROM webhook WHERE state <> 'removed'`).Scan(&there); err != nil {
		return WebhookStatus{}, "", fmt.Errorf("jobs: adding a webhook: %w", err)
	}
	if there >= mostWebhooks {
		problems = append(problems, fmt.Sprintf("there are %d webhooks already, remove one first", there))
	}
	if len(problems) > 0 {
		return WebhookStatus{}, "", &RefusedError{problems}
	}
	id, err := uuid.NewV7()
	if err != nil {
		return WebhookStatus{}, "", fmt.Errorf("jobs: adding a webhook: %w", err)
	}
	secret := webhook.NewSecret()
	err = transact(ctx, db, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO webhook (id, url, types, secret, created_by) VALUES ($1, $2, $3, $4, $5)`, id, url, list(kinds), secret.Reveal(), by)
		if err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: webhookEvent, body: eventBody{Text: "added", By: by}})
	})
	if err != nil {
		return WebhookStatus{}, "", fmt.Errorf("jobs: adding a webhook: %w", err)
	}
	made, err := WebhookByID(ctx, db, id)
	return made, secret, err
}

// RotateWebhook gives a webhook a new secret, which is shown this once. For the
// given time its messages are signed with the old one too.
func RotateWebhook(ctx context.Context, db DB, id uuid.UUID, overlap time.Duration, by string) (webhook.Secret, error) {
	if overlap < 0 || overlap > longestRotation {
		return "", &RefusedError{[]string{fmt.Sprintf("the old secret can go on for 0s to %s, not %s", longestRotation, overlap)}}
	}
	secret := webhook.NewSecret()
	return secret, setWebhook(ctx, db, id, "new secret", by, `UPDATE webhook SET previous_secret = secret, previous_until = now() + make_interval(secs => $3), secret = $2
		WHERE id = $1 AND state <> 'removed'`, secret.Reveal(), overlap.Seconds())
}

// EnableWebhook sends to a webhook again that was disabled.
func EnableWebhook(ctx context.Context, db DB, id uuid.UUID, by string) error {
	return setWebhook(ctx, db, id, "enabled", by, `UPDATE webhook SET state = 'active', reason = '' WHERE id = $1 AND state <> 'removed'`)
}

// RemoveWebhook sends nothing more to a webhook; what waits is given up.
func RemoveWebhook(ctx context.Context, db DB, id uuid.UUID, by string) error {
	return setWebhook(ctx, db, id, "removed", by, `WITH given AS (
			UPDATE webhook_delivery SET state = 'dead', last_error = 'the webhook was removed' WHERE webhook_id = $1 AND state = 'waiting'
		) UPDATE webhook SET state = 'removed', secret = '', previous_secret = NULL, previous_until = NULL WHERE id = $1 AND state <> 'removed'`)
}

func setWebhook(ctx context.Context, db DB, id uuid.UUID, what, by, sql string, values ...any) error {
	err := transact(ctx, db, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, sql, append([]any{id}, values...)...)
		if err == nil && tag.RowsAffected() == 0 {
			err = ErrNotFound
		}
		if err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: webhookEvent, body: eventBody{Text: what, By: by}})
	})
	if err != nil {
		return fmt.Errorf("jobs: webhook %s: %w", id, err)
	}
	return nil
}

// TestWebhook sends a message of the kind benchyard.webhook.test to one webhook
// and returns its delivery, which is still to be made.
func TestWebhook(ctx context.Context, db DB, id uuid.UUID, by string) (Delivery, error) {
	w, err := WebhookByID(ctx, db, id)
	if err != nil {
		return Delivery{}, err
	}
	if w.State != "active" {
		return Delivery{}, &RefusedError{[]string{fmt.Sprintf("the webhook is %s %s; enable it first", w.State, w.Reason)}}
	}
	var delivery int64
	err = db.QueryRow(ctx, `
		WITH made AS (
			INSERT INTO webhook_message (type, lab, subject, data)
			SELECT $2, coalesce((SELECT name FROM lab_version ORDER BY id DESC LIMIT 1), ''), 'webhooks/' || $1::text, jsonb_build_object('webhook', $1::text, 'asked_by', $3::text)
			RETURNING id
		) INSERT INTO webhook_delivery (webhook_id, message_id) SELECT $1::uuid, id FROM made RETURNING id`, id.String(), TestMessage, by).Scan(&delivery)
	if err != nil {
		return Delivery{}, fmt.Errorf("jobs: testing webhook %s: %w", id, err)
	}
	return DeliveryByID(ctx, db, delivery)
}

const webhookQuery = `
	SELECT w.id, w.url, w.types, w.state, w.reason, CASE WHEN w.previous_until > now() THEN w.previous_until END, w.created_by, w.created_at,
	       n.waiting, n.delivered, n.dead, coalesce(last.last_error, ''), last.last_at
	FROM webhook w
	CROSS JOIN LATERAL (SELECT count(*) FILTER (WHERE state = 'waiting') AS waiting, count(*) FILTER (WHERE state = 'delivered') AS delivered,
	                           count(*) FILTER (WHERE state = 'dead') AS dead FROM webhook_delivery d WHERE d.webhook_id = w.id) n
	LEFT JOIN LATERAL (SELECT last_error, last_at FROM webhook_delivery d WHERE d.webhook_id = w.id AND last_at IS NOT NULL ORDER BY last_at DESC LIMIT 1) last ON true
	WHERE `

// Webhooks returns every webhook that is not removed, oldest first.
func Webhooks(ctx context.Context, db DB) ([]WebhookStatus, error) {
	return webhooks(ctx, db, `w.state <> 'removed' ORDER BY w.id`)
}

func webhooks(ctx context.Context, db DB, where string, args ...any) ([]WebhookStatus, error) {
	rows, err := db.Query(ctx, webhookQuery+where, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading webhooks: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[WebhookStatus])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading webhooks: %w", err)
	}
	return found, nil
}

// WebhookByID returns one webhook, removed or not, or ErrNotFound.
func WebhookByID(ctx context.Context, db DB, id uuid.UUID) (WebhookStatus, error) {
	found, err := webhooks(ctx, db, `w.id = $1`, id)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("jobs: webhook %s: %w", id, ErrNotFound)
	}
	if err != nil {
		return WebhookStatus{}, err
	}
	return found[0], nil
}

const deliveryQuery = `
	SELECT d.id, d.webhook_id, d.message_id, m.type, m.subject, m.at, d.state, d.attempts, CASE WHEN d.state = 'waiting' THEN d.next_at END,
	       d.last_status, d.last_error, d.last_at
	FROM webhook_delivery d JOIN webhook_message m ON m.id = d.message_id WHERE `

// DeliveriesTo returns the newest deliveries to a webhook, newest first; a state
// narrows them down.
func DeliveriesTo(ctx context.Context, db DB, id uuid.UUID, state string, limit int) ([]Delivery, error) {
	return deliveries(ctx, db, `d.webhook_id = $1 AND ($2 = '' OR d.state = $2) ORDER BY d.id DESC LIMIT $3`, id, state, limit)
}

// DeliveryByID returns one delivery, or ErrNotFound.
func DeliveryByID(ctx context.Context, db DB, id int64) (Delivery, error) {
	found, err := deliveries(ctx, db, `d.id = $1`, id)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("jobs: delivery %d: %w", id, ErrNotFound)
	}
	if err != nil {
		return Delivery{}, err
	}
	return found[0], nil
}

func deliveries(ctx context.Context, db DB, where string, args ...any) ([]Delivery, error) {
	rows, err := db.Query(ctx, deliveryQuery+where, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading deliveries: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Delivery])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading deliveries: %w", err)
	}
	return found, nil
}
