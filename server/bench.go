package server

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// mostCharts is how many figures of a golden unit are drawn on the page of a bench.
const mostCharts = 8

// benchData is what the page of a bench shows.
type benchData struct {
	Bench  api.Bench
	Report api.GoldenReport
	Charts []api.Curve // of the figures that signal, or the one that was chosen, or the first
	Chosen int         // from 1; 0: none
}

// goldenCurve is a figure of a golden unit over its runs.
func goldenCurve(f api.GoldenFigure) api.Curve {
	name := "reading"
	if f.Margin {
		name = "margin"
	}
	c := api.Curve{
		Title: fmt.Sprintf("%s, %s, connector %d", f.Title, f.Condition, f.Connector), XName: "number of the check", YName: name, YUnit: f.Unit,
		Lower: f.Lower, Upper: f.Upper,
	}
	for i, r := range f.Readings {
		c.X, c.Y = append(c.X, float64(i+1)), append(c.Y, r.Value)
	}
	return c
}

// GoldenToWire translates figures of a golden unit for programs.
func GoldenToWire(figures []results.GoldenFigure) []api.GoldenFigure {
	list := make([]api.GoldenFigure, 0, len(figures))
	for _, g := range figures {
		w := api.GoldenFigure{
			Clause: g.Clause, Requirement: g.Requirement, Title: g.Title, Condition: g.Condition, Connector: g.Connector, Margin: g.Margin,
			Unit: g.ReadingUnit(), Earlier: g.Earlier, Newest: g.Newest.Value, MeasuredAt: g.Newest.At, Signal: g.Signal, Missing: g.Missing,
		}
		if g.Missing == "" {
			w.Mean, w.Lower, w.Upper = &g.Limits.Centre, &g.Limits.Lower, &g.Limits.Upper
		}
		for _, r := range g.Readings {
			w.Readings = append(w.Readings, api.GoldenReading{CaseID: r.Case, MeasuredAt: r.At, Value: r.Value})
		}
		list = append(list, w)
	}
	return list
}

// goldenReport reads what the golden unit of a bench tells.
func (s *Server) goldenReport(ctx context.Context, b api.Bench) (api.GoldenReport, error) {
	r := api.GoldenReport{Bench: b.Name, Golden: b.Golden, Begun: []api.GoldenBaseline{}, Figures: []api.GoldenFigure{}}
	if b.Golden == nil {
		return r, nil
	}
	begun, err := results.GoldenBaselines(ctx, s.pool, b.Name, b.Golden.Serial)
	if err != nil {
		return r, err
	}
	for _, x := range begun {
		r.Begun = append(r.Begun, api.GoldenBaseline{At: x.Begun, By: x.By, Reason: x.Reason})
	}
	figures, err := results.GoldenFigures(ctx, s.pool, b.Name, b.Golden.Serial)
	r.Figures = GoldenToWire(figures)
	return r, err
}

// benchOf finds the bench that an address names.
func (s *Server) benchOf(c echo.Context) (api.Bench, error) {
	name, err := url.PathUnescape(c.Param("name"))
	if err != nil {
		return api.Bench{}, fmt.Errorf("server: bench %q: %w", c.Param("name"), errNotFound)
	}
	ctx := c.Request().Context()
	inventory, err := s.inventories.current(ctx, s.pool)
	if err != nil {
		return api.Bench{}, err
	}
	all, err := s.benches(ctx, inventory)
	if err != nil {
		return api.Bench{}, err
	}
	if i := slices.IndexFunc(all, func(b api.Bench) bool { return b.Name == name }); i >= 0 {
		return all[i], nil
	}
	return api.Bench{}, fmt.Errorf("server: bench %q: %w", name, errNotFound)
}

func (s *Server) benchPage(c echo.Context) error {
	b, err := s.benchOf(c)
	if err != nil {
		return err
	}
	d := benchData{Bench: b}
	if d.Report, err = s.goldenReport(c.Request().Context(), b); err != nil {
		return err
	}
	if word := c.QueryParam("figure"); word != "" {
		n, err := strconv.Atoi(word)
		if err != nil || n < 1 || n > len(d.Report.Figures) {
			return badRequest(fmt.Sprintf("figure %q: the golden unit has figures 1 to %d", word, len(d.Report.Figures)))
		}
		d.Chosen = n
	}
	d.Charts = chartsOf(d.Report.Figures, d.Chosen)
	return s.render(c, http.StatusOK, "bench", page{Title: b.Name, Section: "benches", Simulated: b.Simulated, Data: d})
}

// chartsOf draws the chosen figure, or else those that signal before the others, up to
// mostCharts.
func chartsOf(figures []api.GoldenFigure, chosen int) []api.Curve {
	if chosen > 0 {
		return []api.Curve{goldenCurve(figures[chosen-1])}
	}
	order := slices.Clone(figures)
	slices.SortStableFunc(order, func(a, b api.GoldenFigure) int {
		rank := map[bool]int{true: 0, false: 1}
		return cmp.Compare(rank[a.Signal], rank[b.Signal])
	})
	var charts []api.Curve
	for _, f := range order[:min(mostCharts, len(order))] {
		charts = append(charts, goldenCurve(f))
	}
	return charts
}

func (s *Server) getBench(c echo.Context) error {
	b, err := s.benchOf(c)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, b)
}

func (s *Server) getGolden(c echo.Context) error {
	b, err := s.benchOf(c)
	if err != nil {
		return err
	}
	r, err := s.goldenReport(c.Request().Context(), b)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, r)
}

// benchChanges are what a person may do to a bench, by the word in the address.
var benchChanges = map[string]func(context.Context, jobs.DB, string, api.BenchChange) error{
	"hold": func(ctx context.Context, db jobs.DB, bench string, b api.BenchChange) error {
		return jobs.HoldBench(ctx, db, bench, b.Reason, b.By)
	},
	"release": func(ctx context.Context, db jobs.DB, bench string, b api.BenchChange) error {
		return jobs.ReleaseBench(ctx, db, bench, jobs.BenchRelease{By: b.By, PathBack: b.PathBack})
	},
	"clear-alarm": func(ctx context.Context, db jobs.DB, bench string, b api.BenchChange) error {
		return jobs.ClearAlarm(ctx, db, bench, b.By)
	},
	"golden/begin-anew": func(ctx context.Context, db jobs.DB, bench string, b api.BenchChange) error {
		return jobs.BeginGolden(ctx, db, bench, b.By, b.Reason)
	},
}

// changeBench does something to the bench that an address names, and returns its name.
func (s *Server) changeBench(c echo.Context, what string, said api.BenchChange) (name string, err error) {
	b, err := s.benchOf(c)
	if err != nil {
		return "", err
	}
	for _, text := range []string{said.By, said.Reason} {
		if !plain(text) {
			return "", badRequest(fmt.Sprintf("%q holds control characters or is not UTF-8; name and reason are one line of text", text))
		}
		if len([]rune(text)) > longestSaid {
			return "", badRequest(fmt.Sprintf("a text of %d characters; name and reason are one line of at most %d", len([]rune(text)), longestSaid))
		}
	}
	return b.Name, benchChanges[what](c.Request().Context(), s.pool, b.Name, said)
}

// longestSaid is how long a name or a reason may be, characters.
const longestSaid = 300

// changeFromPage takes a form of the page of a bench.
func (s *Server) changeFromPage(what string) echo.HandlerFunc {
	return func(c echo.Context) error {
		name, err := s.changeBench(c, what, api.BenchChange{
			By: c.FormValue("by"), Reason: c.FormValue("reason"), PathBack: c.FormValue("path_back") != "",
		})
		if err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, "/benches/"+url.PathEscape(name))
	}
}

// postBench takes a change from a program and answers with what it gave.
func (s *Server) postBench(what string, answer echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		var said api.BenchChange
		if err := readBody(c, &said, "change (by, reason, path_back)"); err != nil {
			return err
		}
		if _, err := s.changeBench(c, what, said); err != nil {
			return err
		}
		return answer(c)
	}
}

// benchRoutes are the pages of single benches and what programs ask of them.
func (s *Server) benchRoutes(e *echo.Echo) {
	readable(e, "/benches/:name", s.benchPage)
	readable(e, v1+"/benches/:name", s.getBench)
	readable(e, v1+"/benches/:name/golden", s.getGolden)
	for what := range benchChanges {
		e.POST("/benches/:name/"+what, withinTime(s.changeFromPage(what)))
		answer := s.getBench
		if what == "golden/begin-anew" {
			answer = s.getGolden
		}
		e.POST(v1+"/benches/:name/"+what, withinTime(s.postBench(what, answer)))
	}
}
