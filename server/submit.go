package server

import (
	"cmp"
	"encoding/json"
	"errors"
	"io"
	"time"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/scheduler"
	"benchyard/server/api"
)

// postCampaign queues a campaign, once for each idempotency key.
func (s *Server) postCampaign(c echo.Context) error {
	once, err := idempotent(c)
	if err != nil {
		return err
	}
	if done, err := s.replay(c, once); done || err != nil {
		return err
	}
	var asked api.Submission
	if err := readBody(c, &asked, "submission (name, plan, units, build)"); err != nil {
		return err
	}
	if err := linesOfText([]string{asked.Name, asked.Build, asked.RequestedBy}, asked.Units, asked.Types, asked.Benches); err != nil {
		return err
	}
	class, err := scheduler.ParseClass(asked.Priority)
	if err != nil {
		return badRequest(err.Error())
	}
	var deadline time.Time
	if asked.Deadline != nil {
		deadline = *asked.Deadline
	}
	ctx := c.Request().Context()
	queued, err := jobs.Submit(ctx, s.pool, jobs.Submission{
		Name: asked.Name, PlanFile: "plan", PlanDocument: []byte(asked.Plan), Serials: asked.Units, Types: asked.Types, Benches: asked.Benches,
		Build: asked.Build, By: cmp.Or(asked.RequestedBy, apiUser), Priority: jobs.PriorityOf(class), Deadline: deadline, Once: once,
	})
	if err != nil {
		return err
	}
	made, err := s.campaign(ctx, queued.ID)
	if err != nil {
		return err
	}
	return s.created(c, once, "/api/v1/campaigns/"+made.ID, made)
}

// apiUser is who a change over the API is recorded for that names nobody.
const apiUser = "the API"

// readBody reads the one JSON value that a request is made of. What it is goes
// into the refusal; a field that is not known is refused, since a mistyped one
// would be left out in silence.
func readBody(c echo.Context, into any, what string) error {
	d := json.NewDecoder(c.Request().Body)
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if errors.Is(err, echo.ErrStatusRequestEntityTooLarge) {
		return err
	}
	if err != nil {
		return badRequest("the body must be one JSON " + what + ": " + err.Error())
	}
	if _, err = d.Token(); !errors.Is(err, io.EOF) {
		return badRequest("the body must be one JSON " + what + " and nothing after it")
	}
	return nil
}
