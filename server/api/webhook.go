package api

import (
	"context"
	"net/http"
	"strconv"
	"time"
)

// Webhook is an address that messages are sent to. Its secret is never shown
// but by NewSecret.
type Webhook struct {
	ID            string     `json:"id"`
	URL           string     `json:"url"`
	Types         []string   `json:"types"`          // kinds of message; empty: all
	State         string     `json:"state"`          // active, disabled or removed
	Reason        string     `json:"reason"`         // why it is disabled
	PreviousUntil *time.Time `json:"previous_until"` // an old secret signs too until then; null: none does
	CreatedBy     string     `json:"created_by"`
	CreatedAt     time.Time  `json:"created_at"`
	Waiting       int        `json:"waiting"`
	Delivered     int        `json:"delivered"`
	Dead          int        `json:"dead"` // messages that were given up
	LastError     string     `json:"last_error"`
	LastAt        *time.Time `json:"last_at"`
}

// NewSecret is a webhook with a secret that is shown this once.
type NewSecret struct {
	Webhook
	Secret string `json:"secret"` // whsec_ and base64, as Standard Webhooks has it
}

// WebhookSpec asks for a webhook.
type WebhookSpec struct {
	URL         string   `json:"url"`
	Types       []string `json:"types,omitempty"` // empty: all
	RequestedBy string   `json:"requested_by,omitempty"`
}

// Delivery is a message on its way to a webhook.
type Delivery struct {
	ID        int64      `json:"id"`
	MessageID string     `json:"message_id"` // the receiver sees it as webhook-id
	Type      string     `json:"type"`
	Subject   string     `json:"subject"`
	At        time.Time  `json:"at"`
	State     string     `json:"state"` // waiting, delivered or dead
	Attempts  int        `json:"attempts"`
	NextAt    *time.Time `json:"next_at"`
	Status    int        `json:"status"` // of the last answer; zero: none
	Error     string     `json:"error"`  // of the last attempt
	LastAt    *time.Time `json:"last_at"`
}

// Webhooks returns every webhook that is not removed.
func (c *Client) Webhooks(ctx context.Context) (list []Webhook, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "webhooks")
}

// AddWebhook stores a webhook and returns it with its secret.
func (c *Client) AddWebhook(ctx context.Context, w WebhookSpec) (made NewSecret, err error) {
	return made, c.call(ctx, http.MethodPost, nil, w, &made, "webhooks")
}

// RotateWebhook gives a webhook a new secret; the old one signs too for the
// given time, in whole seconds.
func (c *Client) RotateWebhook(ctx context.Context, id string, overlap time.Duration) (made NewSecret, err error) {
	return made, c.call(ctx, http.MethodPost, values("overlap_s", strconv.FormatInt(int64(overlap/time.Second), 10)), nil, &made, "webhooks", id, "rotate")
}

// ChangeWebhook enables or removes a webhook ("enable", "remove").
func (c *Client) ChangeWebhook(ctx context.Context, id, what, by string) (one Webhook, err error) {
	return one, c.call(ctx, http.MethodPost, values("by", by), nil, &one, "webhooks", id, what)
}

// TestWebhook sends a message of the kind benchyard.webhook.test.
func (c *Client) TestWebhook(ctx context.Context, id, by string) (made Delivery, err error) {
	return made, c.call(ctx, http.MethodPost, values("by", by), nil, &made, "webhooks", id, "test")
}

// Deliveries returns the newest deliveries to a webhook, newest first; a state
// narrows them down.
func (c *Client) Deliveries(ctx context.Context, id, state string) (list []Delivery, err error) {
	return list, c.call(ctx, http.MethodGet, values("state", state), nil, &list, "webhooks", id, "deliveries")
}
