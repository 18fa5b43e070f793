package jobs

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// listen follows the event outbox and wakes the keepers that an event concerns.
// A lost connection is no harm: keepers look at the tables now and then anyway.
func (a *Agent) listen(ctx context.Context) {
	for ctx.Err() == nil {
		if err := a.listenOnce(ctx); err != nil && ctx.Err() == nil {
			a.log.WarnContext(ctx, "no notifications, looking at the tables from time to time", "error", err)
		}
		a.wakeAll() // something may have happened while nobody listened
		pause(ctx, nil, min(time.Second, a.Timings.Poll))
	}
}

func (a *Agent) listenOnce(ctx context.Context) error {
	conn, err := a.Pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("jobs: listening for events: %w", err)
	}
	defer conn.Release()
	if _, err := conn.Exec(ctx, `LISTEN benchyard`); err != nil {
		return fmt.Errorf("jobs: listening for events: %w", err)
	}
	// The connection goes back to the pool without the subscription, or not at all.
	defer func() {
		if _, err := conn.Exec(context.WithoutCancel(ctx), `UNLISTEN *`); err != nil {
			_ = conn.Conn().Close(context.WithoutCancel(ctx)) // broken; the pool drops it
		}
	}()
	last, err := LastEvent(ctx, a.Pool)
	if err != nil {
		return err
	}
	a.wakeAll()
	for {
		if _, err := conn.Conn().WaitForNotification(ctx); err != nil {
			return fmt.Errorf("jobs: listening for events: %w", err)
		}
		if last, err = a.route(ctx, last); err != nil {
			return err
		}
	}
}

// eventBatch is how many events are read at once.
const eventBatch = 500

// route reads the events after last and wakes whom they concern. It returns
// the number of the newest one.
func (a *Agent) route(ctx context.Context, last int64) (int64, error) {
	for {
		events, err := EventsAfter(ctx, a.Pool, last, eventBatch)
		if err != nil {
			return last, err
		}
		for _, e := range events {
			a.wakeFor(e)
			last = e.ID
		}
		if len(events) < eventBatch { // one notification may stand for a thousand events
			return last, nil
		}
	}
}

// wakeFor wakes whom an event concerns.
func (a *Agent) wakeFor(e Event) {
	var body eventBody
	if json.Unmarshal(e.Body, &body) != nil {
		return // another program's event
	}
	switch {
	case e.Kind == campaignEvent:
		a.wakeAll()
	case (e.Kind == runEvent || e.Kind == pathTaskEvent) && (body.State == Queued || body.State == Cancelled),
		e.Kind == benchEvent && body.Text != "": // held, released, alarm cleared
		a.wakeBench(e.Bench)
	case e.Kind == promptEvent:
		a.wakeAsker(e.Bench)
	case e.Kind != benchEvent && e.Kind != runEvent && e.Kind != segmentEvent && e.Kind != pathTaskEvent:
		poke(a.labWake)
	}
}

func (a *Agent) wakeBench(bench string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if k := a.keepers[bench]; k != nil {
		poke(k.wake)
		poke(k.turn)
	}
}

// wakeAsker wakes work that waits for a person at the bench.
func (a *Agent) wakeAsker(bench string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if k := a.keepers[bench]; k != nil {
		poke(k.answered)
	}
}

func (a *Agent) wakeAll() {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, k := range a.keepers {
		poke(k.wake)
		poke(k.answered)
		poke(k.turn)
	}
	poke(a.labWake)
}
