package jobs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/webhook"
)

// ClerkOptions says what a clerk works with; all but Pool has a default.
type ClerkOptions struct {
	Pool   *pgxpool.Pool // three connections are enough
	Logger *slog.Logger  // nil: none
	Poll   time.Duration // between looks at the tables; 2 s
	// Clock is for schedules. Nil means that of the database, by which several
	// clerks agree on what is due.
	Clock func() time.Time

	WebhookAllow []netip.Prefix // addresses that messages may go to although they are not public
	AttemptTime  time.Duration  // longest attempt at a delivery; 10 s
	Attempts     int            // after so many a message is given up; 9
	FirstPause   time.Duration  // after the first attempt, see pauseAfter; 5 s
}

// Clerk does what no bench is needed for: it fires schedules, takes announced
// builds from stage to stage, sends messages to webhooks, and clears away what
// nobody needs any more. Any number of clerks may work on one database: each
// thing is decided in a transaction that only one of them gets.
type Clerk struct {
	pool        *pgxpool.Pool
	log         *slog.Logger
	poll        time.Duration
	clock       func() time.Time
	sender      *webhook.Sender
	attemptTime time.Duration
	attempts    int
	firstPause  time.Duration

	soft    context.Context // of the deliveries, ends with Run
	wait    sync.WaitGroup
	mu      sync.Mutex
	sending map[uuid.UUID]bool // webhooks that a goroutine works on
	cleared time.Time
}

// NewClerk checks the options; Run sets it to work.
func NewClerk(o ClerkOptions) (*Clerk, error) {
	if o.Pool == nil {
		return nil, errors.New("jobs: a clerk needs a database")
	}
	if o.Poll < 0 || o.AttemptTime < 0 || o.Attempts < 0 || o.FirstPause < 0 {
		return nil, errors.New("jobs: a clerk needs times and counts above zero")
	}
	fill := func(d *time.Duration, value time.Duration) {
		if *d == 0 {
			*d = value
		}
	}
	fill(&o.Poll, 2*time.Second)
	fill(&o.AttemptTime, 10*time.Second)
	fill(&o.FirstPause, firstPause)
	if o.Attempts == 0 {
		o.Attempts = mostAttempts
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return &Clerk{
		pool: o.Pool, log: o.Logger, poll: o.Poll, clock: o.Clock, attemptTime: o.AttemptTime, attempts: o.Attempts, firstPause: o.FirstPause,
		sender: webhook.NewSender(webhook.SenderOptions{Allow: o.WebhookAllow, Timeout: o.AttemptTime}), sending: map[uuid.UUID]bool{},
		soft: context.Background(),
	}, nil
}

// Run works until ctx ends, and returns after the last delivery has ended. A
// database that is away is waited for.
func (c *Clerk) Run(ctx context.Context) error {
	c.soft = ctx
	defer c.wait.Wait()
	for ctx.Err() == nil {
		if err := c.tick(ctx); err != nil && ctx.Err() == nil {
			c.log.WarnContext(ctx, "schedules, stages or messages could not be worked on, trying again", "error", err)
		}
		pause(ctx, nil, c.poll)
	}
	return nil
}

// tick does once whatever is to be done. What goes wrong with one kind of work
// keeps no other from being done.
func (c *Clerk) tick(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, storeLimit)
	defer cancel()
	now, err := c.now(ctx)
	if err != nil {
		return err
	}
	return errors.Join(c.fireWaiting(ctx), c.fireDue(ctx, now), c.advanceBuilds(ctx), c.deliver(ctx), c.clear(ctx))
}

func (c *Clerk) now(ctx context.Context) (now time.Time, err error) {
	if c.clock != nil {
		return c.clock(), nil
	}
	return Now(ctx, c.pool)
}

// Now is the time by the clock of the database.
func Now(ctx context.Context, db DB) (now time.Time, err error) {
	if err := db.QueryRow(ctx, `SELECT now()`).Scan(&now); err != nil {
		return now, fmt.Errorf("jobs: reading the clock of the database: %w", err)
	}
	return now, nil
}

const (
	clearEvery   = time.Hour
	messagesKept = 30 * 24 * time.Hour // delivered or given up
)

// clear removes keys that do not count any more and messages long delivered.
func (c *Clerk) clear(ctx context.Context) error {
	if time.Since(c.cleared) < clearEvery {
		return nil
	}
	for _, old := range []struct {
		sql string
		age time.Duration
	}{
		{`DELETE FROM idempotency_key WHERE made_at < now() - make_interval(secs => $1)`, OnceKept},
		{`DELETE FROM webhook_delivery d USING webhook_message m WHERE m.id = d.message_id AND d.state <> 'waiting' AND m.at < now() - make_interval(secs => $1)`, messagesKept},
		{`DELETE FROM webhook_message m WHERE m.at < now() - make_interval(secs => $1) AND NOT EXISTS (SELECT 1 FROM webhook_delivery d WHERE d.message_id = m.id)`, messagesKept},
	} {
		if _, err := c.pool.Exec(ctx, old.sql, old.age.Seconds()); err != nil {
			return fmt.Errorf("jobs: clearing away what is old: %w", err)
		}
	}
	c.cleared = time.Now()
	return nil
}
