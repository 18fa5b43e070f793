package server

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/server/api"
)

// postCampaign queues a campaign.
func (s *Server) postCampaign(c echo.Context) error {
	var asked api.Submission
	d := json.NewDecoder(c.Request().Body)
	d.DisallowUnknownFields()
	err := d.Decode(&asked)
	if errors.Is(err, echo.ErrStatusRequestEntityTooLarge) {
		return err
	}
	if err != nil {
		return badRequest("the body must be one JSON submission (name, plan, units, build): " + err.Error())
	}
	if _, err = d.Token(); !errors.Is(err, io.EOF) {
		return badRequest("the body must be one JSON submission and nothing after it")
	}
	for _, text := range slices.Concat([]string{asked.Name, asked.Build, asked.RequestedBy}, asked.Units, asked.Types) {
		if !plain(text) {
			return badRequest(fmt.Sprintf("%q holds control characters or is not UTF-8; names here are one line of text", text))
		}
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
