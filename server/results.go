package server

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

const (
	usualResults = 1000    // figures in one answer unless asked otherwise
	mostResults  = 100_000 // figures in one answer at most
)

// FiguresToWire returns stored figures as they go over the network and out of
// `--format json`, in the order given.
func FiguresToWire(figures []results.Figure) []api.Result {
	list := make([]api.Result, 0, len(figures))
	for _, f := range figures {
		c := f.Case
		w := resultToWire(f.Result, conditionsOf(c), f.Simulated)
		w.Serial, w.UnitType, w.Build, w.RunID = f.Serial, f.UnitType, f.Build, c.Run.String()
		w.CaseID, w.Attempt, w.Superseded, w.MeasuredAt = c.ID, c.Attempt, c.Superseded, c.MeasuredAt
		list = append(list, w)
	}
	return list
}

// getResults answers with judged figures.
func (s *Server) getResults(c echo.Context) error {
	filter, err := filterOf(c)
	if err != nil {
		return err
	}
	figures, err := results.Figures(c.Request().Context(), s.pool, filter)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, FiguresToWire(figures))
}

func filterOf(c echo.Context) (results.Filter, error) {
	q := c.QueryParams()
	f := results.Filter{
		Serial: q.Get("serial"), Clause: q.Get("clause"), Verdict: conformance.Verdict(q.Get("verdict")), Limit: usualResults,
	}
	if err := onlyParameters(q, "campaign", "run", "serial", "clause", "verdict", "limit"); err != nil {
		return f, err
	}
	for name, id := range map[string]*uuid.UUID{"campaign": &f.Campaign, "run": &f.Run} {
		if text := q.Get(name); text != "" {
			var ok bool
			if *id, ok = idOf(text); !ok {
				return f, badRequest(fmt.Sprintf("%s %q is not an id", name, text))
			}
		}
	}
	// A mistyped verdict or clause would find nothing, which reads like "nothing failed".
	if f.Verdict != "" && !slices.Contains(verdicts(), f.Verdict) {
		return f, badRequest(fmt.Sprintf("verdict %q is not known; known are %q", f.Verdict, verdicts()))
	}
	if f.Clause != "" && !slices.Contains(conformance.MeasuredClauses(), f.Clause) {
		return f, badRequest(fmt.Sprintf("clause %q is not known; known are %q", f.Clause, conformance.MeasuredClauses()))
	}
	if text := q.Get("limit"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > mostResults {
			return f, badRequest(fmt.Sprintf("limit must be a whole number from 1 to %d", mostResults))
		}
		f.Limit = n
	}
	return f, nil
}

// verdicts are those a figure can have.
func verdicts() []conformance.Verdict {
	return []conformance.Verdict{conformance.Pass, conformance.ConditionalPass, conformance.ConditionalFail, conformance.Fail}
}
