package server

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/webhook"
	"benchyard/server/api"
)

const listedDeliveries = 200 // on the page and in one answer

// usualRotation is how long an old secret goes on signing unless told otherwise.
const usualRotation = 24 * time.Hour

// WebhookToWire returns a webhook as it goes over the network and out of the
// command line.
func WebhookToWire(w jobs.WebhookStatus) api.Webhook {
	return api.Webhook{
		ID: w.ID.String(), URL: w.URL, Types: w.Types, State: w.State, Reason: w.Reason, PreviousUntil: w.PreviousUntil, CreatedBy: w.CreatedBy, CreatedAt: w.CreatedAt,
		Waiting: w.Waiting, Delivered: w.Delivered, Dead: w.Dead, LastError: w.LastError, LastAt: w.LastAt,
	}
}

// WebhooksToWire returns webhooks in the order given.
func WebhooksToWire(found []jobs.WebhookStatus) []api.Webhook {
	list := make([]api.Webhook, 0, len(found))
	for _, w := range found {
		list = append(list, WebhookToWire(w))
	}
	return list
}

// DeliveryToWire returns a delivery as it goes over the network and out of the
// command line.
func DeliveryToWire(d jobs.Delivery) api.Delivery {
	return api.Delivery{ID: d.ID, MessageID: d.Message.String(), Type: d.Type, Subject: d.Subject, At: d.At, State: d.State, Attempts: d.Attempts,
		NextAt: d.NextAt, Status: d.Status, Error: d.Error, LastAt: d.LastAt}
}

// DeliveriesToWire returns deliveries in the order given.
func DeliveriesToWire(found []jobs.Delivery) []api.Delivery {
	list := make([]api.Delivery, 0, len(found))
	for _, d := range found {
		list = append(list, DeliveryToWire(d))
	}
	return list
}

func (s *Server) webhooksPage(c echo.Context) error {
	ctx := c.Request().Context()
	found, err := jobs.Webhooks(ctx, s.pool)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "webhooks", page{
		Title: "Webhooks", Section: "webhooks", Simulated: s.labSimulated(ctx), Data: WebhooksToWire(found),
	})
}

// webhookData is what the page of one webhook shows.
type webhookData struct {
	Webhook    api.Webhook
	Deliveries []api.Delivery
}

func (s *Server) webhookPage(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := parseID(c)
	if err != nil {
		return err
	}
	w, err := jobs.WebhookByID(ctx, s.pool, id)
	if err != nil {
		return err
	}
	deliveries, err := jobs.DeliveriesTo(ctx, s.pool, id, "", listedDeliveries)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "webhook", page{
		Title: "Webhook", Section: "webhooks", Simulated: s.labSimulated(ctx), Data: webhookData{WebhookToWire(w), DeliveriesToWire(deliveries)},
	})
}

// changeWebhook does what the last word of an address says.
func (s *Server) changeWebhook(ctx context.Context, id uuid.UUID, what, by string) error {
	switch what {
	case "enable":
		return jobs.EnableWebhook(ctx, s.pool, id, by)
	case "remove":
		return jobs.RemoveWebhook(ctx, s.pool, id, by)
	}
	_, err := jobs.TestWebhook(ctx, s.pool, id, by)
	return err
}

// changeWebhookFromPage takes the buttons of a webhook.
func (s *Server) changeWebhookFromPage(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	if err := s.changeWebhook(c.Request().Context(), id, lastWord(c), pageUser); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/webhooks/"+id.String())
}

func (s *Server) getWebhooks(c echo.Context) error {
	found, err := jobs.Webhooks(c.Request().Context(), s.pool)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, WebhooksToWire(found))
}

func (s *Server) postWebhook(c echo.Context) error {
	var asked api.WebhookSpec
	if err := readBody(c, &asked, "webhook (url, types)"); err != nil {
		return err
	}
	if err := linesOfText([]string{asked.URL, asked.RequestedBy}, asked.Types); err != nil {
		return err
	}
	made, secret, err := jobs.AddWebhook(c.Request().Context(), s.pool, asked.URL, asked.Types, cmp.Or(asked.RequestedBy, apiUser))
	if err != nil {
		return err
	}
	c.Response().Header().Set("Location", "/api/v1/webhooks/"+made.ID.String())
	return s.writeSecret(c, http.StatusCreated, made.ID, secret)
}

// writeSecret shows the secret of a webhook, this once.
func (s *Server) writeSecret(c echo.Context, status int, id uuid.UUID, secret webhook.Secret) error {
	w, err := jobs.WebhookByID(c.Request().Context(), s.pool, id)
	if err != nil {
		return err
	}
	return writeJSON(c, status, api.NewSecret{Webhook: WebhookToWire(w), Secret: secret.Reveal()})
}

func (s *Server) rotateWebhook(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	overlap := usualRotation
	if text := c.QueryParam("overlap_s"); text != "" {
		seconds, err := strconv.ParseInt(text, 10, 32)
		if err != nil {
			return badRequest("overlap_s is a whole number of seconds")
		}
		overlap = time.Duration(seconds) * time.Second
	}
	secret, err := jobs.RotateWebhook(c.Request().Context(), s.pool, id, overlap, cmp.Or(c.QueryParam("by"), apiUser))
	if err != nil {
		return err
	}
	return s.writeSecret(c, http.StatusOK, id, secret)
}

func (s *Server) postWebhookChange(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	if err := s.changeWebhook(ctx, id, lastWord(c), cmp.Or(c.QueryParam("by"), apiUser)); err != nil {
		return err
	}
	w, err := jobs.WebhookByID(ctx, s.pool, id)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, WebhookToWire(w))
}

func (s *Server) testWebhook(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	made, err := jobs.TestWebhook(c.Request().Context(), s.pool, id, cmp.Or(c.QueryParam("by"), apiUser))
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusAccepted, DeliveryToWire(made))
}

func (s *Server) getDeliveries(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	ctx, state := c.Request().Context(), c.QueryParam("state")
	if !slices.Contains([]string{"", "waiting", "delivered", "dead"}, state) {
		return badRequest(fmt.Sprintf("state %q is none of waiting, delivered, dead", state))
	}
	if _, err := jobs.WebhookByID(ctx, s.pool, id); err != nil {
		return err
	}
	found, err := jobs.DeliveriesTo(ctx, s.pool, id, state, listedDeliveries)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, DeliveriesToWire(found))
}
