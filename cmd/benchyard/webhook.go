package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"benchyard/jobs"
	"benchyard/jobs/webhook"
	"benchyard/server"
	"benchyard/server/api"
)

// webhookCommand is for those who want to be told.
type webhookCommand struct {
	Add        webhookAdd        `cmd:"" help:"Add an address; its secret is shown this once."`
	List       webhookList       `cmd:"" help:"Every webhook and how its messages fare."`
	Deliveries webhookDeliveries `cmd:"" help:"The newest messages to a webhook and what became of them."`
	Test       webhookTest       `cmd:"" help:"Send a message of the type benchyard.webhook.test and wait for what becomes of it."`
	Rotate     webhookRotate     `cmd:"" help:"A new secret, shown this once; the old one signs too for a while."`
	Enable     webhookEnable     `cmd:"" help:"Send to a webhook again that was disabled."`
	Remove     webhookRemove     `cmd:"" help:"Send nothing more to it."`
}

type webhookAdd struct {
	output
	URL   string   `arg:"" help:"http or https, without user and password."`
	Types []string `name:"type" sep:"none" placeholder:"TYPE,…" help:"Only messages of these types. Default: all."`
}

// Run adds.
func (c *webhookAdd) Run(ctx context.Context, p *program) error {
	kinds, err := chosen("--type", c.Types)
	if err != nil {
		return err
	}
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	made, secret, err := jobs.AddWebhook(ctx, db.Pool, c.URL, kinds, person())
	if err != nil {
		return refused(err)
	}
	return printSecret(p, c.output, made, secret)
}

// printSecret shows a secret, this once.
func printSecret(p *program, o output, w jobs.WebhookStatus, secret webhook.Secret) error {
	if o.Format != "table" {
		return o.print(p.stdout, &table{header: []string{"webhook", "secret"}, rows: [][]string{{w.ID.String(), secret.Reveal()}},
			values: api.NewSecret{Webhook: server.WebhookToWire(w), Secret: secret.Reveal()}})
	}
	fmt.Fprintf(p.stdout, "webhook %s\nsecret %s\nkeep it now: it is not shown again\n", short(w.ID), secret.Reveal())
	return nil
}

type webhookList struct{ output }

// Run lists.
func (c *webhookList) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	found, err := jobs.Webhooks(ctx, db.Pool)
	if err != nil {
		return err
	}
	t := &table{header: []string{"webhook", "address", "state", "types", "waiting", "delivered", "given up", "last error"}, values: server.WebhooksToWire(found)}
	for _, w := range found {
		kinds := strings.Join(w.Types, " ")
		if kinds == "" {
			kinds = "all"
		}
		t.add(short(w.ID), w.URL, w.State, kinds, strconv.Itoa(w.Waiting), strconv.Itoa(w.Delivered), strconv.Itoa(w.Dead), w.LastError)
	}
	return c.print(p.stdout, t)
}

// namedWebhook is what the commands have in common that name one.
type namedWebhook struct {
	Webhook string `arg:"" help:"Its number or the end of it."`
}

func (n namedWebhook) find(ctx context.Context, db jobs.DB) (jobs.WebhookStatus, error) {
	all, err := jobs.Webhooks(ctx, db)
	if err != nil {
		return jobs.WebhookStatus{}, err
	}
	var found []jobs.WebhookStatus
	for _, w := range all {
		if len(n.Webhook) >= shortestEnd && strings.HasSuffix(w.ID.String(), strings.ToLower(n.Webhook)) {
			found = append(found, w)
		}
	}
	if len(found) != 1 {
		return jobs.WebhookStatus{}, &badInput{fmt.Errorf("%d webhooks have a number that ends in %q (%d digits at least); see benchyard webhook list", len(found), n.Webhook, shortestEnd)}
	}
	return found[0], nil
}

// with finds the webhook and does something to it.
func (n namedWebhook) with(ctx context.Context, p *program, f func(jobs.DB, jobs.WebhookStatus) error) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	w, err := n.find(ctx, db.Pool)
	if err != nil {
		return err
	}
	return refused(f(db.Pool, w))
}

type webhookDeliveries struct {
	output
	namedWebhook
	State string `enum:",waiting,delivered,dead" default:"" help:"Only those that are waiting, delivered or dead."`
}

// listedDeliveries is how many deliveries are listed.
const listedDeliveries = 200

// Run lists.
func (c *webhookDeliveries) Run(ctx context.Context, p *program) error {
	return c.with(ctx, p, func(db jobs.DB, w jobs.WebhookStatus) error {
		found, err := jobs.DeliveriesTo(ctx, db, w.ID, c.State, listedDeliveries)
		if err != nil {
			return err
		}
		t := &table{header: []string{"message", "type", "about", "happened", "state", "attempts", "status", "next", "error"}, values: server.DeliveriesToWire(found)}
		for _, d := range found {
			next := "–"
			if d.NextAt != nil {
				next = clockTime(*d.NextAt)
			}
			t.add(short(d.Message), d.Type, d.Subject, clockTime(d.At), d.State, strconv.Itoa(d.Attempts), strconv.Itoa(d.Status), next, d.Error)
		}
		return c.print(p.stdout, t)
	})
}

type webhookTest struct {
	namedWebhook
	Wait time.Duration `default:"15s" help:"How long to wait for the first attempt."`
}

// Run tests. A message that was not delivered counts as failed.
func (c *webhookTest) Run(ctx context.Context, p *program) error {
	return c.with(ctx, p, func(db jobs.DB, w jobs.WebhookStatus) error {
		d, err := jobs.TestWebhook(ctx, db, w.ID, person())
		if err != nil {
			return err
		}
		over := time.NewTimer(c.Wait)
		defer over.Stop()
		look := time.NewTicker(100 * time.Millisecond)
		defer look.Stop()
		for {
			if d, err = jobs.DeliveryByID(ctx, db, d.ID); err != nil {
				return err
			}
			switch {
			case d.State == "delivered":
				fmt.Fprintf(p.stdout, "delivered: it answered %d\n", d.Status)
				return nil
			case d.Error != "":
				return &failedUnits{fmt.Sprintf("webhook %s: not delivered: %s", short(w.ID), d.Error)}
			}
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-over.C:
				return fmt.Errorf("webhook %s: not sent within %s; does benchyard serve or an agent run?", short(w.ID), c.Wait)
			case <-look.C:
			}
		}
	})
}

type webhookRotate struct {
	output
	namedWebhook
	Overlap time.Duration `default:"24h" help:"How long the old secret signs too."`
}

// Run rotates.
func (c *webhookRotate) Run(ctx context.Context, p *program) error {
	return c.with(ctx, p, func(db jobs.DB, w jobs.WebhookStatus) error {
		secret, err := jobs.RotateWebhook(ctx, db, w.ID, c.Overlap, person())
		if err != nil {
			return err
		}
		return printSecret(p, c.output, w, secret)
	})
}

type webhookEnable struct{ namedWebhook }

// Run enables.
func (c *webhookEnable) Run(ctx context.Context, p *program) error {
	return c.say(ctx, p, "enabled", jobs.EnableWebhook)
}

type webhookRemove struct{ namedWebhook }

// Run removes.
func (c *webhookRemove) Run(ctx context.Context, p *program) error {
	return c.say(ctx, p, "removed", jobs.RemoveWebhook)
}

func (n namedWebhook) say(ctx context.Context, p *program, said string, f func(context.Context, jobs.DB, uuid.UUID, string) error) error {
	return n.with(ctx, p, func(db jobs.DB, w jobs.WebhookStatus) error {
		if err := f(ctx, db, w.ID, person()); err != nil {
			return err
		}
		fmt.Fprintf(p.stdout, "webhook %s: %s\n", short(w.ID), said)
		return nil
	})
}
