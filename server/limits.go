package server

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/labstack/echo/v4"

	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// getLimits answers with every requirement that applies to the carriers that
// were asked for, in the same words as the command line.
func (s *Server) getLimits(c echo.Context) error {
	q, err := readLimitQuery(c.QueryParams())
	if err != nil {
		return err
	}
	set := conformance.Embedded()
	subject, err := SubjectOf(set, q)
	if err != nil {
		return badRequest(err.Error())
	}
	found, refused, err := set.Applicable(subject, q.Clause)
	if err != nil {
		return badRequest(err.Error())
	}
	return writeJSON(c, http.StatusOK, LimitListToWire(set, subject, found, refused))
}

// readLimitQuery reads the parameters of an address. A mistyped one is refused,
// because limits for another carrier look just as good; so is one that stands
// twice and of which there can be one.
func readLimitQuery(v url.Values) (api.LimitQuery, error) {
	var q api.LimitQuery
	var names []string
	for _, p := range q.Parameters() {
		names = append(names, p.Name)
	}
	if err := onlyParameters(v, names...); err != nil {
		return q, err
	}
	for _, p := range q.Parameters() {
		switch values := v[p.Name]; {
		case p.Many != nil:
			*p.Many = values
		case len(values) > 1:
			return q, badRequest(fmt.Sprintf("the query parameter %q stands %d times", p.Name, len(values)))
		case len(values) == 1:
			*p.One = values[0]
		}
	}
	return q, nil
}

func onlyParameters(q url.Values, known ...string) error {
	for name := range q {
		if !slices.Contains(known, name) {
			return badRequest(fmt.Sprintf("the query parameter %q is not known; known are %v", name, known))
		}
	}
	return nil
}
