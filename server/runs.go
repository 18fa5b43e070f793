package server

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/jobs/retention"
	"benchyard/server/api"
)

func (s *Server) runsOf(ctx context.Context, campaign uuid.UUID) ([]api.Run, error) {
	found, err := jobs.RunsOf(ctx, s.pool, campaign)
	if err != nil {
		return nil, err
	}
	return RunsToWire(found), nil
}

func runToWire(r jobs.RunSummary) api.Run {
	w := api.Run{
		ID: r.ID.String(), CampaignID: r.Campaign.String(), Serial: r.Serial, UnitType: r.UnitType, Build: r.Build,
		Attempt: r.Attempt, Repeats: idOrEmpty(r.Repeats), RepeatedBy: idOrEmpty(r.RepeatedBy),
		State: string(r.State), Verdict: string(r.Verdict), Bench: r.Bench, Blocked: r.Blocked, Error: r.Error,
		First: string(r.First), Retested: r.Retested, Paused: r.Paused, DueAt: r.DueAt,
		CasesDone: r.CasesDone, CasesTotal: r.CasesTotal, Simulated: r.Simulated,
		QueuedAt: r.QueuedAt, StartedAt: r.StartedAt, FinishedAt: r.FinishedAt, Clauses: []api.ClauseSummary{},
	}
	for _, clause := range conformance.MeasuredClauses() {
		if k, ok := r.Clauses[clause]; ok {
			w.Clauses = append(w.Clauses, api.ClauseSummary{
				Clause: clause, Cases: k.Cases, Passed: k.Passed, Failed: k.Failed, Errors: k.Errors,
				Verdict: string(k.Verdict), WorstMargin: k.WorstMargin, Unit: api.MarginUnit(k.Unit),
			})
		}
	}
	return w
}

// run is a run with its provenance and every case.
func (s *Server) run(ctx context.Context, id uuid.UUID) (api.RunDetail, error) {
	summary, err := jobs.RunByID(ctx, s.pool, id)
	if err != nil {
		return api.RunDetail{}, err
	}
	campaign, err := jobs.CampaignByID(ctx, s.pool, summary.Campaign)
	if err != nil {
		return api.RunDetail{}, err
	}
	d := api.RunDetail{Run: runToWire(summary), Cases: []api.Case{}, Provenance: api.Provenance{
		Campaign: campaign.Name, Plan: campaign.Plan, PlanHash: campaign.PlanHash, LabVersion: campaign.LabVersion,
		LimitSet: campaign.LimitSet, ProgramVersion: summary.Program,
	}}
	err = s.pool.QueryRow(ctx, "SELECT instruments FROM run WHERE id = $1", id).Scan(&d.Provenance.Instruments)
	if err != nil {
		return api.RunDetail{}, err
	}
	again, err := results.JudgementsOfRun(ctx, s.pool, id)
	if err != nil {
		return api.RunDetail{}, err
	}
	d.Judgements = runJudgementsToWire(again)
	asked, err := jobs.PromptsOf(ctx, s.pool, id)
	if err != nil {
		return api.RunDetail{}, err
	}
	d.Prompts = PromptsToWire(asked)
	steps, err := jobs.StepsOf(ctx, s.pool, id)
	if err != nil {
		return api.RunDetail{}, err
	}
	d.Steps = StepsToWire(steps)
	if d.Evidence, err = evidenceLeft(ctx, s.pool, id); err != nil {
		return api.RunDetail{}, err
	}
	stored, err := results.RunCases(ctx, s.pool, id)
	if err != nil {
		return api.RunDetail{}, err
	}
	for _, c := range stored {
		d.Cases = append(d.Cases, caseToWire(c, d.Run))
	}
	return d, nil
}

// evidenceLeft says what is left of the evidence of a run.
func evidenceLeft(ctx context.Context, pool *pgxpool.Pool, run uuid.UUID) (api.Evidence, error) {
	left, err := retention.Of(ctx, pool, run)
	if err != nil {
		return api.Evidence{}, err
	}
	e := api.Evidence{State: "complete", Held: len(left.Holds) > 0, Text: left.String()}
	if slices.ContainsFunc(left.Changes, retention.Change.Thinned) {
		e.State = "thinned"
	}
	return e, nil
}

// StepsToWire translates steps of bring-up for programs.
func StepsToWire(steps []jobs.RunStep) []api.Step {
	list := make([]api.Step, 0, len(steps))
	for _, s := range steps {
		list = append(list, api.Step{
			Segment: s.Segment, Attempt: s.Attempt, Number: s.Number, Name: s.Name, Outcome: s.Outcome, Detail: s.Detail,
			Tries: s.Tries, BeganAt: s.BeganAt, DurationS: s.Duration,
		})
	}
	return list
}

// runData is what the page of one run shows.
type runData struct {
	Run    api.RunDetail
	Worst  *api.Case // the case whose plot stands on the page; nil when there is none
	Shows  []choice
	Groups []caseGroup
	Empty  string
}

// choice is a link that selects what a page shows.
type choice struct {
	Title, URL string
	Current    bool
}

// caseGroup is a case with the figures that are shown of it.
type caseGroup struct {
	Case    api.Case
	Results []api.Result
}

// What a run page can show.
const (
	showWorst    = "worst"
	showAll      = "all"
	showProblems = "problems"
)

func runView(d api.RunDetail, show string) runData {
	if show != showAll && show != showProblems {
		show = showWorst
	}
	v := runData{Run: d, Worst: worstCase(d.Cases)}
	for _, c := range []choice{
		{Title: "worst figure of each case", URL: showWorst}, {Title: "every figure", URL: showAll}, {Title: "fails and errors", URL: showProblems},
	} {
		c.Current = c.URL == show
		c.URL = "/runs/" + d.ID + "?" + url.Values{"show": {c.URL}}.Encode()
		v.Shows = append(v.Shows, c)
	}
	for _, c := range d.Cases {
		g := caseGroup{Case: c}
		switch {
		case show == showAll:
			g.Results = c.Results
		case show == showProblems && passed(c.Verdict):
			continue
		case show == showProblems:
			g.Results = slices.DeleteFunc(slices.Clone(c.Results), func(r api.Result) bool { return passed(r.Verdict) })
		case len(c.Results) > 0:
			g.Results = []api.Result{worstResult(c.Results)}
		}
		v.Groups = append(v.Groups, g)
	}
	v.Empty = "No case is stored yet."
	if len(d.Cases) > 0 {
		v.Empty = "No case failed or ended in an error."
	}
	return v
}

func passed(verdict string) bool { return verdict == "pass" || verdict == "conditional pass" }

// worstResult is the figure with the least margin. Figures of one case share a unit.
func worstResult(list []api.Result) api.Result {
	return slices.MinFunc(list, func(a, b api.Result) int { return cmp.Compare(a.Margin, b.Margin) })
}

// worstCase is the case to look at first: one that failed, else the one with
// the least margin in decibels (margins in hertz do not compare with those).
func worstCase(cases []api.Case) *api.Case {
	var worst *api.Case
	var least float64
	for i, c := range cases {
		if len(c.Results) == 0 || c.Superseded {
			continue
		}
		r := worstResult(c.Results)
		margin := r.Margin
		if r.Unit == "Hz" && margin >= 0 {
			continue
		}
		if r.Unit == "Hz" {
			margin = 0 // fails, but says nothing against a fail in decibels
		}
		if worst == nil || margin < least {
			worst, least = &cases[i], margin
		}
	}
	return worst
}

func (s *Server) runPage(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := parseID(c)
	if err != nil {
		return err
	}
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	d, err := s.run(ctx, id)
	if err != nil {
		return err
	}
	show := c.QueryParam("show")
	return s.render(c, http.StatusOK, "run", page{
		Title: d.Serial + ", build " + d.Build, Section: "campaigns", Simulated: d.Simulated,
		Stream: streamURL("run", url.Values{"id": {id.String()}, "show": {show}}, after), Data: runView(d, show),
	})
}

func (s *Server) runFragments(ctx context.Context, id uuid.UUID, show string) ([]fragment, error) {
	d, err := s.run(ctx, id)
	if err != nil {
		return nil, err
	}
	v := runView(d, show)
	return s.fragments("run", part{"asking", "run-ask", asking{openPromptOf(d.Prompts), fromRun}}, part{"run-state", "run-state", d}, part{"run-worst", "run-worst", v}, part{"run-cases", "run-cases", v})
}

func (s *Server) getCampaignRuns(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := parseID(c)
	if err != nil {
		return err
	}
	if _, err := jobs.CampaignByID(ctx, s.pool, id); err != nil {
		return err
	}
	runs, err := s.runsOf(ctx, id)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, runs)
}
