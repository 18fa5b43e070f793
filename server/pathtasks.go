package server

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/calibration"
	"benchyard/server/api"
)

// listedPathTasks is how many tasks a page and one answer list.
const listedPathTasks = 200

// PathTaskToWire translates a task for programs.
func PathTaskToWire(t jobs.PathTask) api.PathTask {
	w := api.PathTask{
		ID: t.ID.String(), Kind: string(t.Kind), Bench: t.Bench, Slot: t.Slot, Connector: t.Connector,
		Frequencies: len(t.Frequencies), LevelDBm: float64(t.Level), AskedBy: t.By, AskedAt: t.AskedAt, State: string(t.State), Error: t.Error,
		EndedBy: t.EndedBy, StartedAt: t.StartedAt, FinishedAt: t.FinishedAt, Doing: t.Doing, Readings: t.Readings,
		ReadingsTotal: 2 * len(t.Frequencies), LeftS: t.Left.Seconds(), Passed: t.Passed, ProposalID: idOrEmpty(t.Proposal),
		PromptID: idOrEmpty(t.Prompt), ProgramVersion: t.Program, UpdatedAt: t.UpdatedAt,
	}
	if n := len(t.Frequencies); n > 0 {
		w.FromHz, w.ToHz = float64(t.Frequencies[0]), float64(t.Frequencies[n-1])
	}
	return w
}

// PathTasksToWire translates tasks in the order given.
func PathTasksToWire(found []jobs.PathTask) []api.PathTask {
	list := make([]api.PathTask, 0, len(found))
	for _, t := range found {
		list = append(list, PathTaskToWire(t))
	}
	return list
}

// PathTaskDetailToWire translates a task with what it measured.
func PathTaskDetailToWire(t jobs.PathTask, prompts []jobs.PromptStatus) api.PathTaskDetail {
	w := api.PathTaskDetail{PathTask: PathTaskToWire(t), Rows: []api.PathTaskRow{}, Prompts: PromptsToWire(prompts)}
	if t.Result == nil {
		return w
	}
	if limit := float64(t.Result.Limit); limit > 0 {
		w.LimitDB = &limit
	}
	for i, row := range t.Result.Losses {
		r := api.PathTaskRow{
			FrequencyHz: float64(row.Frequency), LossDB: float64(row.Loss), UncertaintyDB: float64(row.Uncertainty), Budget: budgetToWire(&row.Budget),
			MeterDBm: t.Result.Readings[i].Meter, AnalyzerDBm: t.Result.Readings[i].Analyzer,
		}
		if i < len(t.Result.Check) {
			before, difference := float64(t.Result.Check[i].Before), float64(t.Result.Check[i].Difference)
			r.InForceDB, r.DifferenceDB = &before, &difference
		}
		w.Rows = append(w.Rows, r)
	}
	return w
}

// pathTask reads one task with its prompts.
func (s *Server) pathTask(ctx context.Context, id uuid.UUID) (api.PathTaskDetail, error) {
	t, err := jobs.PathTaskByID(ctx, s.pool, id)
	if err != nil {
		return api.PathTaskDetail{}, err
	}
	prompts, err := jobs.PromptsOfPathTask(ctx, s.pool, id)
	return PathTaskDetailToWire(t, prompts), err
}

func (s *Server) pathTasks(ctx context.Context) ([]api.PathTask, error) {
	found, err := jobs.PathTasks(ctx, s.pool, "", listedPathTasks)
	return PathTasksToWire(found), err
}

// queuePathTask queues what was asked for.
func (s *Server) queuePathTask(ctx context.Context, asked api.PathTaskRequest) (jobs.PathTask, error) {
	for _, text := range []string{asked.Bench, asked.By} {
		if !plain(text) {
			return jobs.PathTask{}, badRequest(fmt.Sprintf("%q holds control characters or is not UTF-8; names here are one line of text", text))
		}
	}
	r := jobs.PathRequest{
		Kind: jobs.PathTaskKind(asked.Kind), PathPlace: jobs.PathPlace{Bench: asked.Bench, Slot: asked.Slot, Connector: asked.Connector},
		Level: rf.DBm(asked.LevelDBm), By: asked.By,
	}
	spread := asked.FromHz != 0 || asked.ToHz != 0 || asked.Points != 0 || asked.StepHz != 0
	if spread && asked.AtHz != nil {
		return jobs.PathTask{}, badRequest("frequencies are at_hz, or from_hz to to_hz, not both")
	}
	for _, f := range asked.AtHz {
		r.Frequencies = append(r.Frequencies, rf.Hertz(f))
	}
	if spread {
		var err error
		if r.Frequencies, err = calibration.Frequencies(rf.Hertz(asked.FromHz), rf.Hertz(asked.ToHz), asked.Points, rf.Hertz(asked.StepHz)); err != nil {
			return jobs.PathTask{}, badRequest(strings.TrimPrefix(err.Error(), "calibration: "))
		}
	}
	return jobs.QueuePathTask(ctx, s.pool, r, time.Now())
}

func (s *Server) postPathTask(c echo.Context) error {
	var asked api.PathTaskRequest
	if err := readBody(c, &asked, "path task (kind, bench, slot, connector, frequencies, by)"); err != nil {
		return err
	}
	t, err := s.queuePathTask(c.Request().Context(), asked)
	if err != nil {
		return err
	}
	c.Response().Header().Set("Location", "/api/v1/path-tasks/"+t.ID.String())
	return writeJSON(c, http.StatusCreated, PathTaskDetailToWire(t, nil))
}

func (s *Server) cancelPathTask(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	by := c.QueryParam("by")
	if by == "" {
		by = "the API"
	}
	if !plain(by) {
		return badRequest("by is one line of text")
	}
	if err := jobs.CancelPathTask(c.Request().Context(), s.pool, id, by); err != nil {
		return err
	}
	return one(s.pathTask)(c)
}

// pathTaskFunctions are what templates with tasks call.
func pathTaskFunctions() template.FuncMap {
	return template.FuncMap{
		// outcome is what a check came to; empty for what is none, or not done.
		"outcome": func(passed *bool) string {
			switch {
			case passed == nil:
				return ""
			case *passed:
				return "passed"
			}
			return "failed"
		},
		"seconds": func(s float64) string {
			return (time.Duration(s * float64(time.Second))).Round(time.Second).String()
		},
	}
}

// pathTasksData is what the page of tasks shows: the path that its form begins with
// may come from the address.
type pathTasksData struct {
	Bench, Slot, Connector string
	Tasks                  []api.PathTask
}

func (s *Server) pathTasksPage(c echo.Context) error {
	ctx := c.Request().Context()
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	list, err := s.pathTasks(ctx)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "pathtasks", page{
		Title: "Measuring paths", Section: "paths", Simulated: s.labSimulated(ctx), Stream: streamURL("pathtasks", nil, after),
		Data: pathTasksData{Bench: c.QueryParam("bench"), Slot: c.QueryParam("slot"), Connector: c.QueryParam("connector"), Tasks: list},
	})
}

func (s *Server) pathTasksFragments(ctx context.Context) ([]fragment, error) {
	list, err := s.pathTasks(ctx)
	if err != nil {
		return nil, err
	}
	return s.fragments("pathtasks", part{"pathtasks", "pathtasks", list})
}

func (s *Server) pathTaskPage(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := parseID(c)
	if err != nil {
		return err
	}
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	d, err := s.pathTask(ctx, id)
	if err != nil {
		return err
	}
	p := page{Title: fmt.Sprintf("%s slot %d connector %d", d.Bench, d.Slot, d.Connector), Section: "paths", Simulated: s.labSimulated(ctx), Data: d}
	if !jobs.State(d.State).Final() {
		p.Stream = streamURL("pathtask", url.Values{"id": {id.String()}}, after)
	}
	return s.render(c, http.StatusOK, "pathtask", p)
}

// pathTaskFragments are apart: news must not sweep away what a person types into
// the form of a prompt.
func (s *Server) pathTaskFragments(ctx context.Context, id uuid.UUID) ([]fragment, error) {
	d, err := s.pathTask(ctx, id)
	if err != nil {
		return nil, err
	}
	return s.fragments("pathtask", part{"asking", "ask", asking{openPromptOf(d.Prompts), fromPathTask}}, part{"pathtask", "pathtask", d})
}

// measureFromPage takes the form that asks for a path to be measured or checked.
func (s *Server) measureFromPage(c echo.Context) error {
	asked := api.PathTaskRequest{Kind: c.FormValue("kind"), Bench: strings.TrimSpace(c.FormValue("bench")), By: c.FormValue("by")}
	var err error
	for _, field := range []struct {
		name string
		into *int
	}{{"slot", &asked.Slot}, {"connector", &asked.Connector}, {"points", &asked.Points}} {
		text := strings.TrimSpace(c.FormValue(field.name))
		if text == "" {
			continue
		}
		if *field.into, err = strconv.Atoi(text); err != nil {
			return badRequest(fmt.Sprintf("%s %q is not a whole number", field.name, text))
		}
	}
	for _, field := range []struct {
		name string
		into *float64
	}{{"from", &asked.FromHz}, {"to", &asked.ToHz}} {
		text := strings.TrimSpace(c.FormValue(field.name))
		if text == "" {
			continue
		}
		f, err := rf.ParseHertz(text)
		if err != nil {
			return badRequest(fmt.Sprintf("%s: %v", field.name, err))
		}
		*field.into = float64(f)
	}
	t, err := s.queuePathTask(c.Request().Context(), asked)
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/path-tasks/"+t.ID.String())
}

// cancelTaskFromPage ends a task. Somebody else may have been quicker; the page
// shows what became of it.
func (s *Server) cancelTaskFromPage(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	if err := jobs.CancelPathTask(c.Request().Context(), s.pool, id, pageUser); err != nil && !errors.Is(err, jobs.ErrEnded) {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/path-tasks/"+id.String())
}
