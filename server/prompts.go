package server

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"slices"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/server/api"
)

// PromptsToWire translates prompts for programs.
func PromptsToWire(found []jobs.PromptStatus) []api.Prompt {
	list := make([]api.Prompt, 0, len(found))
	for _, p := range found {
		list = append(list, promptToWire(p))
	}
	return list
}

func promptToWire(p jobs.PromptStatus) api.Prompt {
	return api.Prompt{
		ID: p.ID.String(), Bench: p.Bench, RunID: idOrEmpty(p.Run), PathTaskID: idOrEmpty(p.PathTask), Serial: p.Serial, Kind: string(p.Kind), Text: p.Text,
		Cautions: p.Cautions, Confirmed: p.Confirmed, AskedAt: p.AskedAt, ExpiresAt: p.ExpiresAt,
		State: string(p.State), AnsweredBy: p.AnsweredBy, Note: p.Note, EndedAt: p.EndedAt,
	}
}

// openPrompts returns what is asked at each bench now.
func (s *Server) openPrompts(ctx context.Context) (map[string]*api.Prompt, error) {
	found, err := jobs.OpenPrompts(ctx, s.pool)
	if err != nil {
		return nil, err
	}
	open := map[string]*api.Prompt{}
	for _, p := range found {
		w := promptToWire(p)
		open[p.Bench] = &w
	}
	return open, nil
}

// asking is an open prompt on a page: From says to which page its form leads back.
type asking struct {
	Prompt *api.Prompt
	From   string
}

// The pages that a prompt is answered on.
const (
	fromBoard = "board"
	fromRun   = "run"

	fromPathTask = "pathtask"
)

// promptFunctions are what templates with prompts call.
func promptFunctions() template.FuncMap {
	return template.FuncMap{
		// ask is the data of the part "asking"; from is the page that it stands on.
		"ask": func(p *api.Prompt, from string) asking { return asking{p, from} },
		"byHand": func(all []api.Prompt) bool { // something was asked that is over
			return slices.ContainsFunc(all, func(p api.Prompt) bool { return p.State != string(jobs.PromptOpen) })
		},
		"askOf": func(all []api.Prompt, from string) asking { return asking{openPromptOf(all), from} },
	}
}

// openPromptOf is the prompt of a run that waits for an answer, nil for none.
func openPromptOf(prompts []api.Prompt) *api.Prompt {
	for i := range prompts {
		if prompts[i].State == string(jobs.PromptOpen) {
			return &prompts[i]
		}
	}
	return nil
}

func (s *Server) promptPage(c echo.Context) error {
	ctx := c.Request().Context()
	p, err := s.prompt(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "prompt", page{
		Title: "Asked at " + p.Bench, Section: "benches", Simulated: s.labSimulated(ctx), Data: &p,
	})
}

func (s *Server) prompt(c echo.Context) (api.Prompt, error) {
	id, err := parseID(c)
	if err != nil {
		return api.Prompt{}, err
	}
	found, err := jobs.PromptByID(c.Request().Context(), s.pool, id)
	if err != nil {
		return api.Prompt{}, err
	}
	return promptToWire(found), nil
}

// answerFromPage takes the form of a prompt. Who comes too late sees what became of it.
func (s *Server) answerFromPage(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	said := c.FormValue("answer")
	if said != string(jobs.PromptDone) && said != string(jobs.PromptCannot) {
		return badRequest("the answer to a prompt is done or cannot")
	}
	reply := api.PromptAnswer{By: c.FormValue("by"), Note: c.FormValue("note"), Cannot: said == string(jobs.PromptCannot)}
	if err := s.answer(c.Request().Context(), id, reply); errors.Is(err, jobs.ErrEnded) {
		return c.Redirect(http.StatusSeeOther, "/prompts/"+id.String())
	} else if err != nil {
		return err
	}
	back := "/prompts/" + id.String()
	switch c.FormValue("from") {
	case fromBoard:
		back = "/"
	case fromPathTask:
		p, err := jobs.PromptByID(c.Request().Context(), s.pool, id)
		if err == nil && p.PathTask != nil {
			back = "/path-tasks/" + p.PathTask.String()
		}
	case fromRun:
		p, err := jobs.PromptByID(c.Request().Context(), s.pool, id)
		if err == nil && p.Run != nil {
			back = "/runs/" + p.Run.String()
		}
	}
	return c.Redirect(http.StatusSeeOther, back)
}

// answer stores what a person said, if it is text on one line.
func (s *Server) answer(ctx context.Context, id uuid.UUID, a api.PromptAnswer) error {
	for _, text := range []string{a.By, a.Note} {
		if !plain(text) {
			return badRequest(fmt.Sprintf("%q holds control characters or is not UTF-8; name and note are one line of text", text))
		}
	}
	return jobs.AnswerPrompt(ctx, s.pool, id, jobs.Reply{By: a.By, Cannot: a.Cannot, Note: a.Note})
}

// getPrompts lists the open prompts, or every prompt of one run.
func (s *Server) getPrompts(c echo.Context) error {
	ctx := c.Request().Context()
	var found []jobs.PromptStatus
	var err error
	if word := c.QueryParam("run"); word == "" {
		found, err = jobs.OpenPrompts(ctx, s.pool)
	} else {
		id, ok := idOf(word)
		if !ok {
			return badRequest(fmt.Sprintf("run %q is not an id", word))
		}
		if _, err = jobs.RunByID(ctx, s.pool, id); err == nil {
			found, err = jobs.PromptsOf(ctx, s.pool, id)
		}
	}
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, PromptsToWire(found))
}

func (s *Server) getPrompt(c echo.Context) error {
	p, err := s.prompt(c)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, p)
}

// postAnswer answers a prompt.
func (s *Server) postAnswer(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	var said api.PromptAnswer
	if err := readBody(c, &said, "answer (by, cannot, note)"); err != nil {
		return err
	}
	if err := s.answer(c.Request().Context(), id, said); err != nil {
		return err
	}
	return s.getPrompt(c)
}
