package server

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"slices"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/server/api"
)

// postJudgement asks for stored traces to be judged again, with the function
// that the command line uses; agents work on it.
func (s *Server) postJudgement(c echo.Context) error {
	var asked api.JudgementRequest
	if err := readBody(c, &asked, "request to judge again (runs, campaign or all, and a reason)"); err != nil {
		return err
	}
	ask, err := judgementAsked(asked)
	if err != nil {
		return err
	}
	ask.Program = s.version
	made, err := jobs.AskJudgement(c.Request().Context(), s.pool, ask)
	if errors.Is(err, lab.ErrNoLab) {
		return &refusal{status: http.StatusUnprocessableEntity, detail: "no inventory is in force, so no run can be judged again; apply one with benchyard lab apply"}
	}
	if err != nil {
		return err
	}
	c.Response().Header().Set("Location", "/api/v1/judgements/"+made.ID.String())
	return writeJSON(c, http.StatusCreated, JudgementToWire(made))
}

func judgementAsked(asked api.JudgementRequest) (jobs.Rejudge, error) {
	ask := jobs.Rejudge{All: asked.All, Reason: asked.Reason, By: cmp.Or(asked.AskedBy, "the API"), LabVersion: asked.LabVersion, Queue: true}
	words := []string{asked.Reason, asked.AskedBy, asked.Campaign}
	for _, document := range []*api.NamedText{asked.Limits, asked.Lab} {
		if document == nil {
			continue
		}
		if document.Name == "" || document.Text == "" {
			return ask, badRequest("a document has a name and a text; without one leave it out")
		}
		words = append(words, document.Name)
	}
	for _, text := range slices.Concat(words, asked.Runs) {
		if !plain(text) {
			return ask, badRequest(fmt.Sprintf("%q holds control characters or is not UTF-8; names and reasons here are one line of text", text))
		}
	}
	for _, text := range asked.Runs {
		id, err := uuid.Parse(text)
		if err != nil {
			return ask, badRequest(fmt.Sprintf("%q is not the number of a run", text))
		}
		ask.Runs = append(ask.Runs, id)
	}
	if asked.Campaign != "" {
		var err error
		if ask.Campaign, err = uuid.Parse(asked.Campaign); err != nil {
			return ask, badRequest(fmt.Sprintf("%q is not the number of a campaign", asked.Campaign))
		}
	}
	if asked.LabVersion < 0 {
		return ask, badRequest("lab_version counts from 1; leave it out for the inventory of each campaign")
	}
	if r := asked.Rule; r != nil {
		if r.Name == "" {
			return ask, badRequest(fmt.Sprintf("the rule has no name; choose from %v", conformance.Rules()))
		}
		ask.Rule = &conformance.DecisionRule{Name: r.Name, GuardBandFactor: r.GuardBandFactor, Probability: r.Probability}
	}
	if l := asked.Limits; l != nil {
		ask.LimitsFile, ask.LimitsDocument = l.Name, []byte(l.Text)
	}
	if l := asked.Lab; l != nil {
		ask.LabFile, ask.LabDocument = l.Name, []byte(l.Text)
	}
	return ask, nil
}
