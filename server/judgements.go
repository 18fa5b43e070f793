package server

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strconv"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

const (
	listedJudgements = 200  // on the page and in one answer
	shownChanges     = 500  // on the page
	usualChanges     = 1000 // in one answer unless asked otherwise
)

// JudgementToWire returns a judgement as it goes over the network and out of
// the command line.
func JudgementToWire(j results.Judgement) api.Judgement {
	w := api.Judgement{
		ID: j.ID.String(), AskedBy: j.AskedBy, AskedAt: j.AskedAt, Reason: j.Reason, Simulated: j.Simulated,
		LimitSet: j.LimitSet, LimitsFile: j.LimitsFile, LabFile: j.LabFile, ProgramVersion: j.Program,
		State: j.State, Error: j.Error, StartedAt: j.StartedAt, FinishedAt: j.FinishedAt,
		Runs: j.Runs, Done: j.Done, Errors: j.Errors, Traces: j.Traces, TracesDone: j.TracesDone, Figures: j.Figures,
		Changed: j.Changed, VerdictsChanged: j.VerdictsChanged, RunsChanged: j.RunsChanged, Failed: j.Failed,
	}
	if j.Rule != nil {
		w.Rule = j.Rule.String()
	}
	if j.LabID != nil {
		w.LabVersion = *j.LabID
	}
	return w
}

// JudgementsToWire returns judgements in the order given.
func JudgementsToWire(found []results.Judgement) []api.Judgement {
	list := make([]api.Judgement, 0, len(found))
	for _, j := range found {
		list = append(list, JudgementToWire(j))
	}
	return list
}

func judgementRunsToWire(found []results.JudgementRun) []api.JudgementRun {
	list := make([]api.JudgementRun, 0, len(found))
	for _, r := range found {
		list = append(list, api.JudgementRun{
			RunID: r.Run.String(), Serial: r.Serial, UnitType: r.UnitType, Build: r.Build, State: r.State,
			VerdictBefore: string(r.Before), VerdictAfter: string(r.After), Error: r.Error, Traces: r.Traces, Figures: r.Figures,
			Changed: r.Changed, VerdictsChanged: r.VerdictsChanged, ProgramVersion: r.Program,
		})
	}
	return list
}

func runJudgementsToWire(found []results.RunJudgement) []api.RunJudgement {
	list := make([]api.RunJudgement, 0, len(found))
	for _, r := range found {
		list = append(list, api.RunJudgement{
			JudgementID: r.Judgement.String(), AskedAt: r.AskedAt, Reason: r.Reason, LimitSet: r.LimitSet,
			State: r.State, Verdict: string(r.Verdict), Error: r.Error, Changed: r.Changed,
		})
	}
	return list
}

func caseJudgementsToWire(found []results.CaseJudgement) []api.CaseJudgement {
	list := make([]api.CaseJudgement, 0, len(found))
	for _, c := range found {
		j := JudgementToWire(c.Judgement)
		list = append(list, api.CaseJudgement{
			JudgementID: j.ID, AskedBy: j.AskedBy, AskedAt: j.AskedAt, Reason: j.Reason, LimitSet: j.LimitSet, Rule: j.Rule,
			Verdict: string(c.Verdict), Figures: c.Figures, Changed: c.Changed, VerdictsChanged: c.Verdicts,
		})
	}
	return list
}

// JudgementReportToWire returns everything a judgement came to.
func JudgementReportToWire(j results.Judgement, runs []results.JudgementRun, changes []results.JudgementChange) api.JudgementReport {
	return api.JudgementReport{
		JudgementDetail: api.JudgementDetail{Judgement: JudgementToWire(j), RunList: judgementRunsToWire(runs)},
		Changes:         JudgementChangesToWire(changes),
	}
}

// JudgementChangesToWire returns changes in the order given.
func JudgementChangesToWire(found []results.JudgementChange) []api.JudgementChange {
	figure := func(f results.JudgedFigure) api.JudgedFigure {
		return api.JudgedFigure{Value: f.Value, Lower: f.Lower, Upper: f.Upper, Margin: f.Margin, Verdict: string(f.Verdict)}
	}
	list := make([]api.JudgementChange, 0, len(found))
	for _, c := range found {
		list = append(list, api.JudgementChange{
			RunID: c.Run.String(), Serial: c.Serial, UnitType: c.UnitType, Build: c.Build, CaseID: c.Case, Clause: c.Clause,
			Band: c.Band, RFChannel: string(c.RFChannel), Connector: c.Connector, Key: c.Key, Title: c.Title, Unit: c.Unit,
			Before: figure(c.Before), After: figure(c.After), VerdictChanged: c.VerdictChanged,
		})
	}
	return list
}

// judgedAt is a figure as a template shows it.
type judgedAt struct {
	api.JudgedFigure
	Unit string
}

func judgementFunctions() template.FuncMap {
	return template.FuncMap{"judged": func(f api.JudgedFigure, unit string) judgedAt { return judgedAt{f, unit} }}
}

// judgementData is what the page of a judgement shows.
type judgementData struct {
	Judgement api.Judgement
	Runs      []api.JudgementRun // that are in error or have another verdict
	Changes   []api.JudgementChange
}

// More is how many changes the page leaves out.
func (d judgementData) More() int { return d.Judgement.Changed - len(d.Changes) }

func (s *Server) judgementData(ctx context.Context, id uuid.UUID) (judgementData, error) {
	var d judgementData
	j, err := results.JudgementByID(ctx, s.pool, id)
	if err != nil {
		return d, err
	}
	d.Judgement = JudgementToWire(j)
	runs, err := results.JudgementRuns(ctx, s.pool, id)
	if err != nil {
		return d, err
	}
	for _, r := range judgementRunsToWire(runs) {
		if r.State == "error" || r.VerdictAfter != "" && r.VerdictAfter != r.VerdictBefore {
			d.Runs = append(d.Runs, r)
		}
	}
	changes, err := results.ChangesOf(ctx, s.pool, id, false, shownChanges)
	d.Changes = JudgementChangesToWire(changes)
	return d, err
}

func (s *Server) judgementsPage(c echo.Context) error {
	ctx := c.Request().Context()
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	list, err := results.Judgements(ctx, s.pool, listedJudgements)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "judgements", page{
		Title: "Judged again", Section: "judgements", Simulated: s.labSimulated(ctx),
		Stream: streamURL("judgements", nil, after), Data: JudgementsToWire(list),
	})
}

func (s *Server) judgementsFragments(ctx context.Context) ([]fragment, error) {
	list, err := results.Judgements(ctx, s.pool, listedJudgements)
	if err != nil {
		return nil, err
	}
	return s.fragments("judgements", part{"judgements", "judgements", JudgementsToWire(list)})
}

func (s *Server) judgementPage(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := parseID(c)
	if err != nil {
		return err
	}
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	d, err := s.judgementData(ctx, id)
	if err != nil {
		return err
	}
	p := page{Title: "Judged again: " + d.Judgement.Reason, Section: "judgements", Simulated: d.Judgement.Simulated, Data: d}
	if d.Judgement.FinishedAt == nil {
		p.Stream = streamURL("judgement", url.Values{"id": {id.String()}}, after)
	}
	return s.render(c, http.StatusOK, "judgement", p)
}

func (s *Server) judgementFragments(ctx context.Context, id uuid.UUID) ([]fragment, error) {
	d, err := s.judgementData(ctx, id)
	if err != nil {
		return nil, err
	}
	return s.fragments("judgement", part{"judgement", "judgement", d})
}

func (s *Server) getJudgements(c echo.Context) error {
	list, err := results.Judgements(c.Request().Context(), s.pool, listedJudgements)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, JudgementsToWire(list))
}

func (s *Server) getJudgement(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	j, err := results.JudgementByID(c.Request().Context(), s.pool, id)
	if err != nil {
		return err
	}
	runs, err := results.JudgementRuns(c.Request().Context(), s.pool, id)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, api.JudgementDetail{Judgement: JudgementToWire(j), RunList: judgementRunsToWire(runs)})
}

func (s *Server) getJudgementChanges(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	q := c.QueryParams()
	if err := onlyParameters(q, "verdicts", "limit"); err != nil {
		return err
	}
	limit, only := usualChanges, false
	if text := q.Get("limit"); text != "" {
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > mostResults {
			return badRequest(fmt.Sprintf("limit must be a whole number from 1 to %d", mostResults))
		}
	}
	if text := q.Get("verdicts"); text != "" {
		if only, err = strconv.ParseBool(text); err != nil {
			return badRequest("verdicts must be true or false")
		}
	}
	if _, err := results.JudgementByID(c.Request().Context(), s.pool, id); err != nil {
		return err
	}
	changes, err := results.ChangesOf(c.Request().Context(), s.pool, id, only, limit)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, JudgementChangesToWire(changes))
}
