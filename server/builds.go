package server

import (
	"cmp"
	"context"
	"net/http"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/scheduler"
	"benchyard/server/api"
)

const listedBuilds = 200 // on the page and in one answer

// BuildToWire returns an announced build as it goes over the network and out of
// the command line.
func BuildToWire(b jobs.BuildStatus) api.Build {
	w := api.Build{
		ID: b.ID.String(), Build: b.Build, UnitType: b.Type, Priority: string(jobs.ClassOf(b.Priority)), AnnouncedBy: b.AnnouncedBy, AnnouncedAt: b.AnnouncedAt,
		State: b.State, EndedAt: b.EndedAt, Stages: []api.BuildStage{},
	}
	for _, s := range b.Stages {
		w.Stages = append(w.Stages, api.BuildStage{
			Number: s.Number, Name: s.Name, Plan: s.Plan, State: s.State, Reason: s.Reason, CampaignID: idOrEmpty(s.Campaign), StartedAt: s.StartedAt, EndedAt: s.EndedAt,
		})
	}
	return w
}

// BuildsToWire returns announced builds in the order given.
func BuildsToWire(found []jobs.BuildStatus) []api.Build {
	list := make([]api.Build, 0, len(found))
	for _, b := range found {
		list = append(list, BuildToWire(b))
	}
	return list
}

// StagePlansToWire returns plans of stages in the order given.
func StagePlansToWire(found []jobs.StagePlan) []api.StagePlan {
	list := make([]api.StagePlan, 0, len(found))
	for _, p := range found {
		list = append(list, api.StagePlan{UnitType: p.Type, Stage: p.Stage, Plan: p.Plan, PlanHash: p.Hash, SetBy: p.SetBy, SetAt: p.SetAt})
	}
	return list
}

// buildsData is what the page of builds shows.
type buildsData struct {
	Builds []api.Build
	Plans  []api.StagePlan
}

func (s *Server) buildsData(ctx context.Context) (d buildsData, err error) {
	found, err := jobs.Builds(ctx, s.pool, listedBuilds)
	if err != nil {
		return d, err
	}
	plans, err := jobs.StagePlans(ctx, s.pool)
	return buildsData{BuildsToWire(found), StagePlansToWire(plans)}, err
}

func (s *Server) buildsPage(c echo.Context) error {
	ctx := c.Request().Context()
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	d, err := s.buildsData(ctx)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "builds", page{
		Title: "Builds", Section: "builds", Simulated: s.labSimulated(ctx), Stream: streamURL("builds", nil, after), Data: d,
	})
}

func (s *Server) buildsFragments(ctx context.Context) ([]fragment, error) {
	d, err := s.buildsData(ctx)
	if err != nil {
		return nil, err
	}
	return s.fragments("builds", part{"builds", "builds", d})
}

func (s *Server) getBuilds(c echo.Context) error {
	found, err := jobs.Builds(c.Request().Context(), s.pool, listedBuilds)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, BuildsToWire(found))
}

func (s *Server) getBuild(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	found, err := jobs.BuildByID(c.Request().Context(), s.pool, id)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, BuildToWire(found))
}

// postBuild announces a build, once for each idempotency key.
func (s *Server) postBuild(c echo.Context) error {
	once, err := idempotent(c)
	if err != nil {
		return err
	}
	if done, err := s.replay(c, once); done || err != nil {
		return err
	}
	var asked api.BuildAnnouncement
	if err := readBody(c, &asked, "announcement (build, unit_type)"); err != nil {
		return err
	}
	if err := linesOfText([]string{asked.Build, asked.UnitType, asked.RequestedBy}); err != nil {
		return err
	}
	class, err := scheduler.ParseClass(asked.Priority)
	if err != nil {
		return badRequest(err.Error())
	}
	made, err := jobs.AnnounceBuild(c.Request().Context(), s.pool, jobs.Announcement{
		Build: asked.Build, Type: asked.UnitType, By: cmp.Or(asked.RequestedBy, apiUser), Priority: jobs.PriorityOf(class), Once: once,
	})
	if err != nil {
		return err
	}
	return s.created(c, once, "/api/v1/builds/"+made.ID.String(), BuildToWire(made))
}

func (s *Server) getStagePlans(c echo.Context) error {
	plans, err := jobs.StagePlans(c.Request().Context(), s.pool)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, StagePlansToWire(plans))
}

func (s *Server) postStagePlan(c echo.Context) error {
	var asked api.StagePlanSpec
	if err := readBody(c, &asked, "plan of a stage (unit_type, stage, plan)"); err != nil {
		return err
	}
	if err := linesOfText([]string{asked.UnitType, asked.Stage, asked.RequestedBy}); err != nil {
		return err
	}
	err := jobs.SetStagePlan(c.Request().Context(), s.pool, asked.UnitType, asked.Stage, "plan", []byte(asked.Plan), cmp.Or(asked.RequestedBy, apiUser))
	if err != nil {
		return err
	}
	return s.getStagePlans(c)
}
