package server

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/server/api"
)

// pathsData is what the page of paths shows.
type pathsData struct {
	Paths   []api.Path
	Open    []api.PathCorrection
	Decided []api.PathCorrection
}

func (s *Server) pathsPage(c echo.Context) error {
	ctx := c.Request().Context()
	paths, err := s.paths(ctx)
	if err != nil {
		return err
	}
	d := pathsData{Paths: paths}
	if len(paths) > 0 {
		all, err := s.corrections(ctx, jobs.PathPlace{}, false)
		if err != nil {
			return err
		}
		for _, p := range all {
			if p.State == string(jobs.PathProposed) {
				d.Open = append(d.Open, p)
			} else {
				d.Decided = append(d.Decided, p)
			}
		}
	}
	return s.render(c, http.StatusOK, "paths", page{Title: "Signal paths", Section: "paths", Simulated: s.labSimulated(ctx), Data: d})
}

func (s *Server) correctionPage(c echo.Context) error {
	d, err := s.correction(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "correction", page{
		Title: fmt.Sprintf("Correction of %s slot %d connector %d", d.Bench, d.Slot, d.Connector), Section: "paths", Simulated: d.Simulated, Data: d,
	})
}

// decideFromPage takes the forms of a correction. Who comes too late sees what
// became of it.
func (s *Server) decideFromPage(decide func(echo.Context, uuid.UUID) error) echo.HandlerFunc {
	return func(c echo.Context) error {
		id, err := parseID(c)
		if err != nil {
			return err
		}
		if err := decide(c, id); err != nil && !errors.Is(err, jobs.ErrEnded) {
			return err
		}
		return c.Redirect(http.StatusSeeOther, "/paths/"+id.String())
	}
}

func (s *Server) approveFromPage(c echo.Context, id uuid.UUID) error {
	return s.approve(c.Request().Context(), id, api.PathApproval{
		By: c.FormValue("by"), ValidUntil: c.FormValue("valid_until"), Narrower: c.FormValue("narrower") != "", Reason: c.FormValue("reason"),
	})
}

func (s *Server) rejectFromPage(c echo.Context, id uuid.UUID) error {
	return jobs.Reject(c.Request().Context(), s.pool, id, c.FormValue("by"), c.FormValue("reason"))
}

func pathFunctions() template.FuncMap {
	return template.FuncMap{"lossCurve": lossCurve, "differences": drawDifferences, "elements": func(list []string) string { return strings.Join(list, ", ") }}
}

// lossCurve is the losses of a correction, to be drawn.
func lossCurve(d api.PathCorrectionDetail) curveDrawing {
	c := api.Curve{Title: "Loss over frequency", XName: "frequency", XUnit: "Hz", YName: "loss", YUnit: "dB"}
	for _, r := range d.Table {
		c.X, c.Y = append(c.X, r.FrequencyHz), append(c.Y, r.LossDB)
	}
	return drawCurve(c)
}

// differenceDrawing is a correction less the one it is compared with, over
// frequency, between the two sides of their combined uncertainty.
type differenceDrawing struct {
	curveDrawing
	Upper, Lower string // lines of what the uncertainties allow
	Zero         float64
	Signals      []dot // that lie outside
}

func drawDifferences(list []api.PathDifference) differenceDrawing {
	c := api.Curve{Title: "Difference to the one before", XName: "frequency", XUnit: "Hz", YName: "difference", YUnit: "dB"}
	reach := 0.0
	for _, d := range list {
		c.X, c.Y = append(c.X, d.FrequencyHz), append(c.Y, d.DifferenceDB)
		reach = max(reach, d.UncertaintyDB, math.Abs(d.DifferenceDB))
	}
	low, high := -reach, reach
	c.Lower, c.Upper = &low, &high // they make the axis reach as far on both sides
	d := differenceDrawing{curveDrawing: drawCurve(c)}
	if len(list) == 0 {
		return d
	}
	room := max((high-low)/12, 0.01)
	x, y := scale(list[0].FrequencyHz, list[len(list)-1].FrequencyHz, d.Left+12, d.Right-12), scale(low-room, high+room, d.Bottom, d.Top)
	d.Limits, d.Dots, d.Zero = nil, nil, y(0)
	var upper, lower strings.Builder
	for _, one := range list {
		px := x(one.FrequencyHz)
		fmt.Fprintf(&upper, "%.1f,%.1f ", px, y(one.UncertaintyDB))
		fmt.Fprintf(&lower, "%.1f,%.1f ", px, y(-one.UncertaintyDB))
		at := dot{px, y(one.DifferenceDB), fmt.Sprintf("%s: %s, %s times the combined uncertainty",
			figureText(one.FrequencyHz, "Hz"), marginText(one.DifferenceDB, "dB"), minus(fmt.Sprintf("%.2f", one.Ratio)))}
		if math.Abs(one.Ratio) > 1 {
			d.Signals = append(d.Signals, at)
		} else if len(list) <= mostDots {
			d.Dots = append(d.Dots, at)
		}
	}
	d.Upper, d.Lower = upper.String(), lower.String()
	return d
}
