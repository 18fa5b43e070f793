package server

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/labstack/echo/v4"

	"benchyard/instruments/document"
	"benchyard/jobs"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// errNotFound is wrapped by every lookup that found nothing.
var errNotFound = errors.New("server: there is no such thing")

// refusal is an error made for the person who asked: it carries its own status
// and says what to do next.
type refusal struct {
	status int
	detail string
	errors []string
}

func (r *refusal) Error() string { return "server: " + r.detail }

func badRequest(detail string) error { return &refusal{status: http.StatusBadRequest, detail: detail} }

// problemOf is the one table from errors to HTTP. What it does not know is
// "internal": logged in full, shown without its inside.
func problemOf(err error) *api.Problem {
	var refused *refusal
	var documents document.Problems
	var unmeasurable *jobs.RefusedError
	var incomplete *jobs.ReplyError
	var unreachable *jobs.PathTaskRefusedError
	var incorrect *jobs.PathRefusedError
	var undone *jobs.BenchError
	var uncountable *results.RefusedError
	var unjudgeable *jobs.NotJudgeableError
	var routed *echo.HTTPError
	switch {
	case errors.As(err, &refused):
		return problem(refused.status, refused.detail, refused.errors...)
	case errors.As(err, &documents):
		lines := make([]string, len(documents))
		for i, p := range documents {
			lines[i] = p.String()
		}
		return problem(http.StatusUnprocessableEntity, "the document has problems; correct them and send it again", lines...)
	case errors.As(err, &unmeasurable):
		return problem(http.StatusUnprocessableEntity, "this cannot be done as asked, so nothing was queued or changed", unmeasurable.Problems...)
	case errors.As(err, &uncountable):
		return problem(http.StatusUnprocessableEntity, uncountable.Reason)
	case errors.As(err, &unjudgeable):
		return problem(http.StatusUnprocessableEntity, "nothing can be judged again as asked, so nothing was stored", unjudgeable.Problems...)
	case errors.As(err, &unreachable):
		return problem(http.StatusUnprocessableEntity, "the path cannot be measured as asked, so nothing was queued", unreachable.Problems...)
	case errors.As(err, &incorrect):
		return problem(http.StatusUnprocessableEntity, "the correction is refused as asked, so nothing was changed", incorrect.Problems...)
	case errors.As(err, &incomplete):
		return problem(http.StatusUnprocessableEntity, "the answer is not complete, so nothing was stored: "+incomplete.Problem)
	case errors.As(err, &undone):
		return problem(http.StatusUnprocessableEntity, undone.Problem+"; nothing was changed")
	case errors.Is(err, jobs.ErrReused):
		return problem(http.StatusUnprocessableEntity, jobs.ErrReused.Error())
	case errors.Is(err, jobs.ErrUnderWay):
		return problem(http.StatusConflict, jobs.ErrUnderWay.Error()+"; wait for its end, or cancel the campaign of its stage")
	case errors.Is(err, jobs.ErrEnded):
		return problem(http.StatusConflict, "it has already ended, so nothing was changed")
	case errors.Is(err, errNotFound), errors.Is(err, jobs.ErrNotFound), errors.Is(err, results.ErrNotFound), errors.Is(err, pgx.ErrNoRows):
		return problem(http.StatusNotFound, "nothing is stored under this address; go back to the list it came from")
	case errors.As(err, &routed) && routed.Code == http.StatusNotFound:
		return problem(http.StatusNotFound, "this address is not known; start at /")
	case errors.As(err, &routed) && routed.Code == http.StatusMethodNotAllowed:
		return problem(routed.Code, "this address does not take that method; the header Allow names those it takes")
	case errors.As(err, &routed) && routed.Code == http.StatusRequestEntityTooLarge:
		return problem(routed.Code, "the body is larger than "+maxBody+"B, which no submission needs; send a smaller plan")
	case errors.As(err, &routed):
		return problem(routed.Code, strings.ToLower(http.StatusText(routed.Code)))
	case errors.Is(err, context.DeadlineExceeded):
		return problem(http.StatusGatewayTimeout, "the database did not answer in time; try again, and look at its log if it stays so")
	default:
		return problem(http.StatusInternalServerError, "the server could not do this; its log says why")
	}
}

func problem(status int, detail string, lines ...string) *api.Problem {
	return &api.Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Errors: lines}
}

// handleError answers with a problem document under /api and with a page
// everywhere else, and logs what is the server's own fault.
func (s *Server) handleError(err error, c echo.Context) {
	if c.Response().Committed || errors.Is(err, context.Canceled) {
		return
	}
	p := problemOf(err)
	if p.Status >= http.StatusInternalServerError {
		s.log.Error("server: request failed", "method", c.Request().Method, "path", c.Request().URL.Path, "error", err)
	}
	if strings.HasPrefix(c.Request().URL.Path, "/api/") {
		err = writeProblem(c, p)
	} else {
		err = s.renderError(c, p)
	}
	if err != nil {
		s.log.Error("server: error page failed", "path", c.Request().URL.Path, "error", err)
	}
}
