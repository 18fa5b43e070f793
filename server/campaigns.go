package server

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

func (s *Server) campaigns(ctx context.Context) ([]api.Campaign, error) {
	found, err := jobs.Campaigns(ctx, s.pool)
	if err != nil {
		return nil, err
	}
	forecast, err := s.forecasts.current(ctx, s.pool)
	if err != nil {
		return nil, err
	}
	return CampaignsToWire(found, forecast), nil
}

func (s *Server) campaign(ctx context.Context, id uuid.UUID) (api.Campaign, error) {
	found, err := jobs.CampaignByID(ctx, s.pool, id)
	if err != nil {
		return api.Campaign{}, err
	}
	forecast, err := s.forecasts.current(ctx, s.pool)
	if err != nil {
		return api.Campaign{}, err
	}
	return campaignToWire(found, forecast), nil
}

func campaignToWire(c jobs.CampaignSummary, forecast jobs.Forecast) api.Campaign {
	w := api.Campaign{
		ID: c.ID.String(), Name: c.Name, State: string(c.State), Plan: c.Plan, PlanHash: c.PlanHash, LabVersion: c.LabVersion,
		LimitSet: c.LimitSet, Build: c.Build, Simulated: c.Simulated, Priority: string(jobs.ClassOf(c.Priority)), Deadline: c.Deadline, RequestedBy: c.RequestedBy,
		SubmittedAt: c.SubmittedAt, CancelledBy: c.CancelledBy, CancelledAt: c.CancelledAt, FinishedAt: c.FinishedAt,
		Progress: api.Progress{
			Units: c.Units, Queued: c.Queued, Active: c.Active, Closed: c.Done + c.Errors + c.Cancelled,
			Passed: c.Passed, Failed: c.Failed, Errors: c.Errors, CasesDone: c.CasesDone, CasesTotal: c.CasesTotal,
		},
	}
	if left, known := forecast.Campaigns[c.ID]; known {
		w.EndsAt, w.EndsBy = ends(left.P50), ends(left.P95)
	}
	return w
}

// campaignData is what the page of one campaign shows.
type campaignData struct {
	Campaign api.Campaign
	Clauses  []clauseColumn
	Rows     []matrixRow
}

type clauseColumn struct{ Clause, Title string }

// matrixRow is one unit; Cells stand in the order of the columns.
type matrixRow struct {
	Run   api.Run
	Cells []api.ClauseSummary
}

func (s *Server) campaignData(ctx context.Context, id uuid.UUID) (campaignData, error) {
	c, err := s.campaign(ctx, id)
	if err != nil {
		return campaignData{}, err
	}
	runs, err := s.runsOf(ctx, id)
	if err != nil {
		return campaignData{}, err
	}
	return matrix(c, runs), nil
}

// matrix lays out runs by clauses, what needs attention first.
func matrix(c api.Campaign, runs []api.Run) campaignData {
	d := campaignData{Campaign: c}
	seen := map[string]bool{}
	for _, r := range runs {
		for _, k := range r.Clauses {
			seen[k.Clause] = true
		}
	}
	for _, clause := range conformance.MeasuredClauses() {
		if seen[clause] {
			d.Clauses = append(d.Clauses, clauseColumn{clause, conformance.ClauseTitle(clause)})
		}
	}
	for _, r := range runs {
		row := matrixRow{Run: r}
		for _, column := range d.Clauses {
			cell := api.ClauseSummary{Clause: column.Clause}
			for _, k := range r.Clauses {
				if k.Clause == column.Clause {
					cell = k
				}
			}
			row.Cells = append(row.Cells, cell)
		}
		d.Rows = append(d.Rows, row)
	}
	slices.SortStableFunc(d.Rows, func(a, b matrixRow) int {
		return cmp.Or(cmp.Compare(urgency(a.Run), urgency(b.Run)), cmp.Compare(a.Run.Serial, b.Run.Serial), cmp.Compare(a.Run.Attempt, b.Run.Attempt))
	})
	return d
}

// urgency orders runs for people: fails, errors, what is under way, passes,
// what waits. A clause that failed counts before the run is closed.
func urgency(r api.Run) int {
	failed := func(k api.ClauseSummary) bool { return k.Failed > 0 }
	broken := func(k api.ClauseSummary) bool { return k.Errors > 0 }
	switch {
	case r.Verdict == "fail" || r.Verdict == "conditional fail" || slices.ContainsFunc(r.Clauses, failed):
		return 0
	case r.Verdict == "error" || r.State == string(jobs.Error) || slices.ContainsFunc(r.Clauses, broken):
		return 1
	case r.State == string(jobs.Active):
		return 2
	case r.State == string(jobs.Done):
		return 3
	case r.State == string(jobs.Queued):
		return 4
	}
	return 5
}

func (s *Server) campaignsPage(c echo.Context) error {
	ctx := c.Request().Context()
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	list, err := s.campaigns(ctx)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "campaigns", page{
		Title: "Campaigns", Section: "campaigns", Simulated: s.labSimulated(ctx), Stream: streamURL("campaigns", nil, after), Data: list,
	})
}

func (s *Server) campaignsFragments(ctx context.Context) ([]fragment, error) {
	list, err := s.campaigns(ctx)
	if err != nil {
		return nil, err
	}
	return s.fragments("campaigns", part{"campaigns", "campaigns", list})
}

func (s *Server) campaignPage(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := parseID(c)
	if err != nil {
		return err
	}
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	d, err := s.campaignData(ctx, id)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "campaign", page{
		Title: d.Campaign.Name, Section: "campaigns", Simulated: d.Campaign.Simulated,
		Stream: streamURL("campaign", url.Values{"id": {id.String()}}, after), Data: d,
	})
}

func (s *Server) campaignFragments(ctx context.Context, id uuid.UUID) ([]fragment, error) {
	d, err := s.campaignData(ctx, id)
	if err != nil {
		return nil, err
	}
	return s.fragments("campaign", part{"campaign-state", "campaign-state", d.Campaign}, part{"campaign-end", "campaign-end", d.Campaign}, part{"matrix", "matrix", d})
}

// pageUser is who a change on a page is recorded for: there are no accounts, so
// the page is all that is known.
const pageUser = "the web page"

func (s *Server) cancelFromPage(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	// Somebody else may have been quicker; the page shows what became of it.
	if _, err := jobs.Cancel(c.Request().Context(), s.pool, id, pageUser); err != nil && !errors.Is(err, jobs.ErrEnded) {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/campaigns/"+id.String())
}

func (s *Server) cancelCampaign(c echo.Context) error {
	id, err := parseID(c)
	if err != nil {
		return err
	}
	by := cmp.Or(c.QueryParam("by"), "the API")
	if _, err := jobs.Cancel(c.Request().Context(), s.pool, id, by); err != nil {
		return err
	}
	return one(s.campaign)(c)
}
