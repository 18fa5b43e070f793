package jobs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"net/url"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/webhook"
)

// The attempts at a delivery, from practice: the first pause is 5 s, each is four
// times the one before and at most 6 h, all a fifth more or less; after the ninth
// attempt, 11 to 16 hours later, the message is given up.
const (
	mostAttempts = 9
	firstPause   = 5 * time.Second
	pauseGrowth  = 4
	longestPause = 6 * time.Hour
)

// pauseAfter is how long a delivery rests after so many attempts. What is spread
// follows from its number: many that failed together do not come back together.
func pauseAfter(first time.Duration, attempts int, delivery int64) time.Duration {
	d := first
	for range attempts - 1 {
		d = min(d*pauseGrowth, longestPause)
	}
	h := fnv.New64a()
	fmt.Fprint(h, delivery, " ", attempts)
	const steps = 1000
	return d * time.Duration(steps*4/5+h.Sum64()%(steps*2/5)) / steps
}

// outgoing is a delivery in work.
type outgoing struct {
	id       int64
	attempts int // with this one
	url      string
	event    webhook.Event
	secrets  []webhook.Secret
}

// deliver sends what is due, each webhook in a goroutine of its own: one that
// hangs keeps no other waiting. It does not wait for them.
func (c *Clerk) deliver(ctx context.Context) error {
	rows, err := c.pool.Query(ctx, `SELECT DISTINCT d.webhook_id FROM webhook_delivery d JOIN webhook w ON w.id = d.webhook_id
		WHERE d.state = 'waiting' AND d.next_at <= now() AND w.state = 'active'`)
	if err != nil {
		return fmt.Errorf("jobs: looking for deliveries: %w", err)
	}
	due, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return fmt.Errorf("jobs: looking for deliveries: %w", err)
	}
	for _, id := range due {
		c.mu.Lock()
		busy := c.sending[id]
		c.sending[id] = true
		c.mu.Unlock()
		if busy {
			continue
		}
		c.wait.Go(func() {
			defer func() {
				c.mu.Lock()
				delete(c.sending, id)
				c.mu.Unlock()
			}()
			c.deliverTo(c.soft, id)
		})
	}
	return nil
}

// deliverTo sends what is due to one webhook until nothing is.
func (c *Clerk) deliverTo(ctx context.Context, id uuid.UUID) {
	for ctx.Err() == nil {
		o, err := c.pick(ctx, id)
		if err != nil || o == nil {
			if err != nil && ctx.Err() == nil {
				c.log.WarnContext(ctx, "deliveries cannot be read", "webhook", id, "error", err)
			}
			return
		}
		attempt := c.sender.Send(ctx, o.url, o.event, o.secrets...)
		storing, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeLimit)
		if attempt.Err != nil && ctx.Err() != nil {
			err = c.putBack(storing, o)
		} else {
			err = c.note(storing, id, o, attempt)
		}
		cancel()
		if err != nil { // it is sent again: at least once
			c.log.WarnContext(ctx, "a delivery was not recorded and will be made again", "webhook", id, "message", o.event.ID, "error", err)
			return
		}
	}
}

// pick takes the next delivery that is due; nil when there is none. Nobody else
// takes it until this attempt has surely ended, here or by the death of the process.
func (c *Clerk) pick(ctx context.Context, id uuid.UUID) (*outgoing, error) {
	var o outgoing
	var lab string
	var data json.RawMessage
	var secret webhook.Secret
	var previous *webhook.Secret
	err := c.pool.QueryRow(ctx, `
		WITH mine AS (
			UPDATE webhook_delivery SET attempts = attempts + 1, last_at = now(), next_at = now() + make_interval(secs => $2)
			WHERE id = (SELECT d.id FROM webhook_delivery d JOIN webhook w ON w.id = d.webhook_id
			            WHERE d.webhook_id = $1 AND d.state = 'waiting' AND d.next_at <= now() AND w.state = 'active'
			            ORDER BY d.next_at, d.id LIMIT 1 FOR UPDATE OF d SKIP LOCKED)
			RETURNING id, attempts, webhook_id, message_id
		)
		SELECT mine.id, mine.attempts, w.url, w.secret, CASE WHEN w.previous_until > now() THEN w.previous_secret END,
		       m.id, m.lab, m.type, m.subject, m.at, m.data
		FROM mine JOIN webhook w ON w.id = mine.webhook_id JOIN webhook_message m ON m.id = mine.message_id`, id, (c.attemptTime+storeLimit).Seconds()).
		Scan(&o.id, &o.attempts, &o.url, &secret, &previous, &o.event.ID, &lab, &o.event.Type, &o.event.Subject, &o.event.Time, &data)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("jobs: webhook %s: %w", id, err)
	}
	o.event.Source, o.event.Data = "/labs/"+url.PathEscape(lab), data
	o.secrets = []webhook.Secret{secret}
	if previous != nil {
		o.secrets = append(o.secrets, *previous)
	}
	return &o, nil
}

// note records what came of an attempt.
func (c *Clerk) note(ctx context.Context, id uuid.UUID, o *outgoing, a webhook.Attempt) error {
	if a.Err == nil {
		_, err := c.pool.Exec(ctx, `UPDATE webhook_delivery SET state = 'delivered', last_status = $2, last_error = '', last_at = now() WHERE id = $1`, o.id, a.Status)
		return err
	}
	pause := max(pauseAfter(c.firstPause, o.attempts, o.id), a.RetryAfter)
	dead := o.attempts >= c.attempts || a.Gone()
	c.log.WarnContext(ctx, "a message was not delivered", "webhook", id, "message", o.event.ID, "attempt", o.attempts, "given up", dead, "error", a.Err)
	return transact(ctx, c.pool, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE webhook_delivery SET state = CASE WHEN $2 THEN 'dead' ELSE 'waiting' END, last_status = $3, last_error = $4, last_at = now(),
			next_at = now() + make_interval(secs => $5) WHERE id = $1 AND state = 'waiting'`, o.id, dead, a.Status, a.Err.Error(), pause.Seconds())
		if err != nil || !dead {
			return err
		}
		told := change{kind: webhookEvent, body: eventBody{Text: "a message was given up: " + a.Err.Error()}}
		if a.Gone() {
			told.body.Text = "disabled: " + a.Err.Error()
			_, err = tx.Exec(ctx, `WITH given AS (
					UPDATE webhook_delivery SET state = 'dead', last_error = $2 WHERE webhook_id = $1 AND state = 'waiting'
				) UPDATE webhook SET state = 'disabled', reason = $2 WHERE id = $1 AND state = 'active'`, id, a.Err.Error())
			if err != nil {
				return err
			}
		}
		return emit(ctx, tx, told)
	})
}

// putBack makes an attempt that the end of this process cut short not count.
func (c *Clerk) putBack(ctx context.Context, o *outgoing) error {
	_, err := c.pool.Exec(ctx, `UPDATE webhook_delivery SET attempts = attempts - 1, next_at = now() WHERE id = $1 AND state = 'waiting'`, o.id)
	return err
}
