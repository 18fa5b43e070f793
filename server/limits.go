package server

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// getLimits answers with every requirement that applies to one carrier, in the
// same words as the command line.
func (s *Server) getLimits(c echo.Context) error {
	q := c.QueryParams()
	// A mistyped parameter is refused, because a limit for another carrier looks just as good.
	err := onlyParameters(q, "band", "bandwidth", "scs", "class", "category", "category_b_option", "type",
		"rated_power", "rf_channel", "transmit_units", "clause")
	if err != nil {
		return err
	}
	subject, err := subjectOf(q)
	if err != nil {
		return badRequest(err.Error())
	}
	requirements, err := conformance.Requirements(subject, q.Get("clause"))
	if err != nil {
		return badRequest(err.Error())
	}
	return writeJSON(c, http.StatusOK, api.LimitList{
		LimitSet: conformance.LimitSet(), Carrier: CarrierToWire(subject.Carrier), Limits: LimitsToWire(requirements),
	})
}

func onlyParameters(q url.Values, known ...string) error {
	for name := range q {
		if !slices.Contains(known, name) {
			return badRequest(fmt.Sprintf("the query parameter %q is not known; known are %v", name, known))
		}
	}
	return nil
}

func subjectOf(q url.Values) (conformance.Subject, error) {
	declaration, err := declarationOf(q)
	if err != nil {
		return conformance.Subject{}, err
	}
	bandwidth, err := rf.ParseHertz(q.Get("bandwidth"))
	if err != nil {
		return conformance.Subject{}, fmt.Errorf("bandwidth: %w", err)
	}
	scs, err := rf.ParseHertz(q.Get("scs"))
	if err != nil {
		return conformance.Subject{}, fmt.Errorf("scs: %w", err)
	}
	channel, err := conformance.ParseRFChannel(cmp.Or(q.Get("rf_channel"), string(conformance.Middle)))
	if err != nil {
		return conformance.Subject{}, err
	}
	carrier, err := conformance.Place(q.Get("band"), channel, bandwidth, scs)
	return conformance.Subject{Declaration: declaration, Carrier: carrier}, err
}

func declarationOf(q url.Values) (conformance.Declaration, error) {
	var d conformance.Declaration
	var err error
	if d.Class, err = conformance.ParseClass(cmp.Or(q.Get("class"), string(conformance.WideArea))); err != nil {
		return d, err
	}
	if d.Category, err = conformance.ParseCategory(cmp.Or(q.Get("category"), "A")); err != nil {
		return d, err
	}
	if d.Type, err = conformance.ParseType(cmp.Or(q.Get("type"), string(conformance.Type1C))); err != nil {
		return d, err
	}
	if d.RatedPower, err = rf.ParseDBm(q.Get("rated_power")); err != nil {
		return d, fmt.Errorf("rated_power: %w", err)
	}
	if d.CategoryBOption, err = wholeNumber(q, "category_b_option"); err != nil {
		return d, err
	}
	d.TransmitUnits, err = wholeNumber(q, "transmit_units")
	return d, err
}

// wholeNumber reads an optional parameter; absent is zero.
func wholeNumber(q url.Values, name string) (int, error) {
	text := q.Get(name)
	if text == "" {
		return 0, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return 0, fmt.Errorf("%s: %q is not a whole number", name, text)
	}
	return n, nil
}
