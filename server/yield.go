package server

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/results"
	"benchyard/jobs/statistics"
	"benchyard/server/api"
)

// YieldToWire returns yields as they go over the network.
func YieldToWire(yields []results.BuildYield) []api.Yield {
	list := make([]api.Yield, 0, len(yields))
	for _, y := range yields {
		list = append(list, api.Yield{
			Build: y.Build, UnitType: y.UnitType, Units: y.Units, Simulated: y.Simulated,
			FirstPass: fraction(y.FirstPass, y.Units, y.FirstPassLow, y.FirstPassHigh, y.FirstPassExact),
			Final:     fraction(y.Final, y.Units, y.FinalLow, y.FinalHigh, y.FinalExact),
			Unjudged:  y.Unjudged, Errors: y.Errors, Aborted: y.Aborted,
		})
	}
	return list
}

// fraction leaves share and interval unknown when there is nothing to share:
// "no data", never 0 % or 100 %.
func fraction(count, n int, low, high float64, exact statistics.Interval) api.Fraction {
	f := api.Fraction{Count: count}
	if n > 0 {
		share := float64(count) / float64(n)
		f.Share, f.Low, f.High, f.ExactLow, f.ExactHigh = &share, &low, &high, &exact.Low, &exact.High
	}
	return f
}

// ChangesToWire returns what became of units between two builds.
func ChangesToWire(found []results.Regression, buildA, buildB string) []api.Change {
	list := make([]api.Change, 0, len(found))
	for _, r := range found {
		list = append(list, api.Change{
			Serial: r.Serial, UnitType: r.UnitType, Clause: r.Clause, BuildA: buildA, BuildB: buildB, Worse: r.Worse(),
			VerdictA: string(r.VerdictA), VerdictB: string(r.VerdictB), MarginA: r.MarginA, MarginB: r.MarginB,
			Unit: api.MarginUnit(r.Unit), RunA: r.RunA.String(), RunB: r.RunB.String(),
		})
	}
	return list
}

// yieldReport counts one world only: that of the inventory in force. Builds
// left empty are the two newest with results.
func (s *Server) yieldReport(ctx context.Context, buildA, buildB string) (api.YieldReport, error) {
	report := api.YieldReport{Simulated: s.labSimulated(ctx), Builds: []string{}, Changes: []api.Change{}, Comparison: emptyComparison()}
	yields, err := results.Yield(ctx, s.pool, report.Simulated)
	if err != nil {
		return report, err
	}
	report.Yields = YieldToWire(yields)
	for _, y := range yields {
		if y.Units > 0 && !slices.Contains(report.Builds, y.Build) {
			report.Builds = append(report.Builds, y.Build)
		}
	}
	if n := len(report.Builds); buildA == "" && buildB == "" && n >= 2 {
		buildA, buildB = report.Builds[n-2], report.Builds[n-1]
	}
	if buildA == "" && buildB == "" {
		return report, nil
	}
	if buildA == "" || buildB == "" {
		return report, badRequest("a comparison needs both builds, a and b; leave out both to compare the newest two")
	}
	for _, build := range []string{buildA, buildB} {
		if !slices.Contains(report.Builds, build) {
			return report, badRequest(fmt.Sprintf("build %q has no results to compare; those that have are %v", build, report.Builds))
		}
	}
	report.BuildA, report.BuildB = buildA, buildB
	found, err := results.Regressions(ctx, s.pool, buildA, buildB, report.Simulated, results.DefaultMaterial())
	if err != nil {
		return report, err
	}
	report.Changes = ChangesToWire(found, buildA, buildB)
	compared, err := results.Compare(ctx, s.pool, buildA, buildB, report.Simulated, results.DefaultMaterial())
	if err != nil {
		return report, err
	}
	report.Comparison = ComparisonToWire(compared)
	return report, nil
}

func (s *Server) yieldPage(c echo.Context) error {
	ctx := c.Request().Context()
	a, b := c.QueryParam("a"), c.QueryParam("b")
	after, err := jobs.LastEvent(ctx, s.pool)
	if err != nil {
		return err
	}
	report, err := s.yieldReport(ctx, a, b)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "yield", page{
		Title: "Yield", Section: "yield", Simulated: report.Simulated,
		Stream: streamURL("yield", url.Values{"a": {a}, "b": {b}}, after), Data: report,
	})
}

func (s *Server) yieldFragments(ctx context.Context, a, b string) ([]fragment, error) {
	report, err := s.yieldReport(ctx, a, b)
	if err != nil {
		return nil, err
	}
	return s.fragments("yield", part{"yield", "yield", report}, part{"changes", "changes", report})
}

func (s *Server) getYield(c echo.Context) error {
	report, err := s.yieldReport(c.Request().Context(), c.QueryParam("a"), c.QueryParam("b"))
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, report)
}
