package server

import (
	"context"
	"net/http"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// v1 is where the JSON API begins.
const v1 = "/api/v1"

// routes lays out every address, noun by noun.
func (s *Server) routes() *echo.Echo {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect()
	e.HTTPErrorHandler = s.handleError
	e.Use(middleware.Recover(), secure, middleware.BodyLimit(maxBody), s.guardWrites, textOnly)

	e.GET("/events", s.streamPage)
	e.GET(v1+"/events", s.streamEvents)
	readable(e, v1+"/openapi.yaml", s.getDocument)
	readable(e, "/assets/*", s.serveAsset)
	for _, path := range []string{"/health", "/ready", "/metrics"} {
		readable(e, path, echo.WrapHandler(s.probes))
	}
	readable(e, "/", s.boardPage)
	readable(e, v1+"/benches", s.getBenches)
	s.benchRoutes(e)
	s.campaignRoutes(e)
	s.measuredRoutes(e)
	s.yieldRoutes(e)
	s.promptRoutes(e)
	s.pathRoutes(e)
	s.judgementRoutes(e)
	s.automationPages(e)
	s.automationRoutes(e.Group(v1))
	return e
}

// campaignRoutes are those of the queue and its campaigns.
func (s *Server) campaignRoutes(e *echo.Echo) {
	readable(e, "/queue", s.queuePage)
	readable(e, "/campaigns", s.campaignsPage)
	readable(e, "/campaigns/:id", s.campaignPage)
	e.POST("/campaigns/:id/cancel", withinTime(s.cancelFromPage))
	readable(e, v1+"/queue", all(s.queue))
	readable(e, v1+"/campaigns", all(s.campaigns))
	e.POST(v1+"/campaigns", withinTime(s.postCampaign))
	readable(e, v1+"/campaigns/:id", one(s.campaign))
	e.POST(v1+"/campaigns/:id/cancel", withinTime(s.cancelCampaign))
	readable(e, v1+"/campaigns/:id/runs", s.getCampaignRuns)
}

// measuredRoutes are those of what was measured, and of the limits.
func (s *Server) measuredRoutes(e *echo.Echo) {
	readable(e, "/runs/:id", s.runPage)
	readable(e, "/cases/:id", s.casePage)
	readable(e, "/cases/:id/figures/*", s.figurePage)
	readable(e, v1+"/runs/:id", one(s.run))
	readable(e, v1+"/cases/:id", s.getCase)
	readable(e, v1+"/cases/:id/explanation", s.getExplanation)
	readable(e, v1+"/cases/:id/series", s.getSeries)
	readable(e, v1+"/cases/:id/traces/:number", s.getTrace)
	readable(e, v1+"/results", s.getResults)
	readable(e, v1+"/limits", s.getLimits)
}

// yieldRoutes are those of populations of units.
func (s *Server) yieldRoutes(e *echo.Echo) {
	readable(e, "/yield", s.yieldPage)
	readable(e, "/yield/capability", s.capabilityPage)
	readable(e, "/yield/figure", s.populationPage)
	readable(e, "/yield/benches", s.benchesPage)
	readable(e, v1+"/yield", s.getYield)
	readable(e, v1+"/yield/benches", s.getBenchAgreement)
	readable(e, v1+"/yield/capability", s.getCapability)
	readable(e, v1+"/yield/chart", s.getChart)
	readable(e, v1+"/yield/risk", s.getRisk)
}

// promptRoutes are those of what persons are asked to do.
func (s *Server) promptRoutes(e *echo.Echo) {
	readable(e, "/prompts/:id", s.promptPage)
	e.POST("/prompts/:id/answer", withinTime(s.answerFromPage))
	readable(e, v1+"/prompts", s.getPrompts)
	readable(e, v1+"/prompts/:id", s.getPrompt)
	e.POST(v1+"/prompts/:id/answer", withinTime(s.postAnswer))
}

// pathRoutes are those of signal paths, their corrections and the tasks about them.
func (s *Server) pathRoutes(e *echo.Echo) {
	readable(e, "/path-tasks", s.pathTasksPage)
	e.POST("/path-tasks", withinTime(s.measureFromPage))
	readable(e, "/path-tasks/:id", s.pathTaskPage)
	e.POST("/path-tasks/:id/cancel", withinTime(s.cancelTaskFromPage))
	readable(e, "/paths", s.pathsPage)
	readable(e, "/paths/:id", s.correctionPage)
	e.POST("/paths/:id/approve", withinTime(s.decideFromPage(s.approveFromPage)))
	e.POST("/paths/:id/reject", withinTime(s.decideFromPage(s.rejectFromPage)))
	readable(e, v1+"/path-tasks", all(s.pathTasks))
	e.POST(v1+"/path-tasks", withinTime(s.postPathTask))
	readable(e, v1+"/path-tasks/:id", one(s.pathTask))
	e.POST(v1+"/path-tasks/:id/cancel", withinTime(s.cancelPathTask))
	readable(e, v1+"/paths", all(s.paths))
	readable(e, v1+"/corrections", s.getCorrections)
	readable(e, v1+"/corrections/:id", s.getCorrection)
	e.POST(v1+"/corrections/:id/approve", withinTime(s.postApproval))
	e.POST(v1+"/corrections/:id/reject", withinTime(s.postRejection))
}

// judgementRoutes are those of what was judged again.
func (s *Server) judgementRoutes(e *echo.Echo) {
	readable(e, "/judgements", s.judgementsPage)
	readable(e, "/judgements/:id", s.judgementPage)
	readable(e, v1+"/judgements", s.getJudgements)
	readable(e, v1+"/judgements/:id", s.getJudgement)
	readable(e, v1+"/judgements/:id/changes", s.getJudgementChanges)
	e.POST(v1+"/judgements", withinTime(s.postJudgement))
}

// readable answers GET, and HEAD with the same headers: net/http leaves the
// body out by itself. Streams have no end that a HEAD could wait for.
func readable(e router, path string, h echo.HandlerFunc) {
	e.GET(path, withinTime(h))
	e.HEAD(path, withinTime(h))
}

// one answers with the thing that the id in the address names.
func one[T any](find func(context.Context, uuid.UUID) (T, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		id, err := parseID(c)
		if err != nil {
			return err
		}
		found, err := find(c.Request().Context(), id)
		if err != nil {
			return err
		}
		return writeJSON(c, http.StatusOK, found)
	}
}

// all answers with everything of a kind.
func all[T any](find func(context.Context) (T, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		found, err := find(c.Request().Context())
		if err != nil {
			return err
		}
		return writeJSON(c, http.StatusOK, found)
	}
}
