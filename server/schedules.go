package server

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/scheduler"
	"benchyard/server/api"
)

const (
	shownDueTimes = 5   // ahead of now
	shownFirings  = 100 // of the history of a schedule
)

// ScheduleToWire returns a schedule as it goes over the network and out of the
// command line.
func ScheduleToWire(s jobs.ScheduleStatus) api.Schedule {
	w := api.Schedule{
		ID: s.ID.String(), Name: s.Name, Timetable: s.Timetable, Zone: s.Zone, Plan: s.Plan, PlanHash: s.PlanHash, Units: s.Serials, Types: s.Types,
		Benches: s.Benches, Build: s.Build, Priority: string(jobs.ClassOf(s.Priority)), Overlap: string(s.Overlap), CatchUpS: s.CatchUp.Seconds(), State: s.State,
		Next: append([]time.Time{}, s.Next(shownDueTimes)...), RunningID: idOrEmpty(s.Running), CreatedBy: s.CreatedBy, CreatedAt: s.CreatedAt,
		ChangedBy: s.ChangedBy, ChangedAt: s.ChangedAt, Firings: s.Firings,
	}
	if s.Last != nil {
		last := FiringToWire(*s.Last)
		w.Last = &last
	}
	return w
}

// SchedulesToWire returns schedules in the order given.
func SchedulesToWire(found []jobs.ScheduleStatus) []api.Schedule {
	list := make([]api.Schedule, 0, len(found))
	for _, s := range found {
		list = append(list, ScheduleToWire(s))
	}
	return list
}

// FiringToWire returns a firing as it goes over the network and out of the
// command line.
func FiringToWire(f jobs.Firing) api.Firing {
	return api.Firing{DueAt: f.DueAt, At: f.At, Outcome: f.Outcome, Reason: f.Reason, Missed: f.Missed, AskedBy: f.AskedBy, CampaignID: idOrEmpty(f.Campaign)}
}

// ScheduleDetail returns a schedule with its newest firings.
func ScheduleDetail(ctx context.Context, db jobs.DB, id uuid.UUID) (api.ScheduleDetail, error) {
	s, err := jobs.ScheduleByID(ctx, db, id)
	if err != nil {
		return api.ScheduleDetail{}, err
	}
	firings, err := jobs.FiringsOf(ctx, db, id, shownFirings)
	d := api.ScheduleDetail{Schedule: ScheduleToWire(s), History: []api.Firing{}}
	for _, f := range firings {
		d.History = append(d.History, FiringToWire(f))
	}
	return d, err
}

// changeSchedule does what the last word of an address says.
func (s *Server) changeSchedule(ctx context.Context, id uuid.UUID, what, by string) error {
	switch what {
	case "pause":
		return jobs.PauseSchedule(ctx, s.pool, id, by)
	case "remove":
		return jobs.RemoveSchedule(ctx, s.pool, id, by)
	case "run-now":
		_, err := jobs.RunSchedule(ctx, s.pool, id, by)
		return err
	}
	now, err := jobs.Now(ctx, s.pool)
	if err != nil {
		return err
	}
	return jobs.ResumeSchedule(ctx, s.pool, id, by, now)
}

// scheduleWords are what can be done to a schedule, as the last word of an address.
func scheduleWords() []string { return []string{"pause", "resume", "remove", "run-now"} }

func (s *Server) schedulesPage(c echo.Context) error {
	ctx := c.Request().Context()
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	found, err := jobs.Schedules(ctx, s.pool)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "schedules", page{
		Title: "Schedules", Section: "schedules", Simulated: s.labSimulated(ctx), Stream: streamURL("schedules", nil, after), Data: SchedulesToWire(found),
	})
}

func (s *Server) schedulesFragments(ctx context.Context) ([]fragment, error) {
	found, err := jobs.Schedules(ctx, s.pool)
	if err != nil {
		return nil, err
	}
	return s.fragments("schedules", part{"schedules", "schedules", SchedulesToWire(found)})
}

func (s *Server) schedulePage(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := parseID(c)
	if err != nil {
		return err
	}
	d, err := ScheduleDetail(ctx, s.pool, id)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "schedule", page{Title: d.Name, Section: "schedules", Simulated: s.labSimulated(ctx), Data: d})
}

// changeScheduleFromPage takes the buttons of a schedule. Somebody else may have
// been quicker; the page shows what became of it.
func (s *Server) changeScheduleFromPage(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	what := lastWord(c)
	if err := s.changeSchedule(c.Request().Context(), id, what, pageUser); err != nil && !errors.Is(err, jobs.ErrEnded) {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/schedules/"+id.String())
}

// lastWord is the last word of the address.
func lastWord(c echo.Context) string { return c.Path()[strings.LastIndexByte(c.Path(), '/')+1:] }

func (s *Server) getSchedules(c echo.Context) error {
	found, err := jobs.Schedules(c.Request().Context(), s.pool)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, SchedulesToWire(found))
}

func (s *Server) getSchedule(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	d, err := ScheduleDetail(c.Request().Context(), s.pool, id)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, d)
}

func (s *Server) postSchedule(c echo.Context) error {
	var asked api.ScheduleSpec
	if err := readBody(c, &asked, "schedule (name, timetable, zone, plan, build)"); err != nil {
		return err
	}
	if err := linesOfText([]string{asked.Name, asked.Timetable, asked.Zone, asked.Build, asked.RequestedBy}, asked.Units, asked.Types, asked.Benches); err != nil {
		return err
	}
	class, err := scheduler.ParseClass(asked.Priority)
	if err != nil {
		return badRequest(err.Error())
	}
	spec := jobs.ScheduleSpec{
		Name: asked.Name, Timetable: asked.Timetable, Zone: asked.Zone, PlanFile: "plan", PlanDocument: []byte(asked.Plan), Serials: asked.Units,
		Types: asked.Types, Benches: asked.Benches, Build: asked.Build, By: cmp.Or(asked.RequestedBy, apiUser), Priority: jobs.PriorityOf(class), Overlap: jobs.Overlap(asked.Overlap),
	}
	if asked.CatchUpS != nil {
		// As a number of seconds first: what is too large must not wrap around.
		late := time.Duration(min(max(*asked.CatchUpS, -1), 1e9) * float64(time.Second))
		spec.CatchUp = &late
	}
	ctx := c.Request().Context()
	now, err := jobs.Now(ctx, s.pool)
	if err != nil {
		return err
	}
	made, err := jobs.AddSchedule(ctx, s.pool, spec, now)
	if err != nil {
		return err
	}
	d, err := ScheduleDetail(ctx, s.pool, made.ID)
	if err != nil {
		return err
	}
	c.Response().Header().Set("Location", "/api/v1/schedules/"+d.ID)
	return writeJSON(c, http.StatusCreated, d)
}

func (s *Server) postScheduleChange(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	if err := s.changeSchedule(c.Request().Context(), id, lastWord(c), cmp.Or(c.QueryParam("by"), apiUser)); err != nil {
		return err
	}
	return s.getSchedule(c)
}
