package server

import (
	"cmp"
	"encoding/json"
	"errors"
	"io"
	"net/http"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/server/api"
)

// postCampaign queues a campaign.
func (s *Server) postCampaign(c echo.Context) error {
	var asked api.Submission
	d := json.NewDecoder(c.Request().Body)
	d.DisallowUnknownFields()
	if err := d.Decode(&asked); err != nil {
		return badRequest("the body must be one JSON submission (name, plan, units, build): " + err.Error())
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return badRequest("the body must be one JSON submission and nothing after it")
	}
	ctx := c.Request().Context()
	queued, err := jobs.Submit(ctx, s.pool, jobs.Submission{
		Name: asked.Name, PlanFile: "plan", PlanDocument: []byte(asked.Plan), Serials: asked.Units, Types: asked.Types, Build: asked.Build,
		By: cmp.Or(asked.RequestedBy, "the API"), Priority: asked.Priority,
	})
	if err != nil {
		return err
	}
	made, err := s.campaign(ctx, queued.ID)
	if err != nil {
		return err
	}
	c.Response().Header().Set("Location", "/api/v1/campaigns/"+made.ID)
	return writeJSON(c, http.StatusCreated, made)
}
