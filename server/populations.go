package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// capabilityData is what the page of capabilities shows: one build, all types or
// one.
type capabilityData struct {
	Report        api.CapabilityReport
	Build, Type   string
	Builds, Types []string
	Groups        []capabilityGroup
}

// capabilityGroup is a type with its limits.
type capabilityGroup struct {
	UnitType string
	Rows     []api.Capability
}

func (s *Server) capabilityPage(c echo.Context) error {
	ctx, q := c.Request().Context(), c.QueryParams()
	f, err := s.readingFilter(ctx, q)
	if err != nil {
		return err
	}
	yields, err := results.Yield(ctx, s.pool, f.Simulated)
	if err != nil {
		return err
	}
	d := capabilityData{Type: f.UnitType}
	for _, y := range yields {
		if y.Units > 0 && !slices.Contains(d.Builds, y.Build) {
			d.Builds = append(d.Builds, y.Build)
		}
		if y.Units > 0 && !slices.Contains(d.Types, y.UnitType) {
			d.Types = append(d.Types, y.UnitType)
		}
	}
	if f.Build == "" && len(d.Builds) > 0 {
		f.Build = d.Builds[len(d.Builds)-1]
	}
	d.Build = f.Build
	found, err := results.Capabilities(ctx, s.pool, f)
	if err != nil {
		return err
	}
	d.Report = CapabilitiesToWire(results.LeastCapable(found), f.Simulated)
	d.Groups = byType(d.Report.Capabilities)
	return s.render(c, http.StatusOK, "capability", page{Title: "Capability", Section: "yield", Simulated: f.Simulated, Data: d})
}

// byType parts the rows, which come by type, and puts the least capable first:
// those with an index before those without.
func byType(rows []api.Capability) []capabilityGroup {
	var groups []capabilityGroup
	for _, row := range rows {
		if n := len(groups); n == 0 || groups[n-1].UnitType != row.UnitType {
			groups = append(groups, capabilityGroup{UnitType: row.UnitType})
		}
		last := &groups[len(groups)-1]
		last.Rows = append(last.Rows, row)
	}
	for _, g := range groups {
		slices.SortStableFunc(g.Rows, func(a, b api.Capability) int {
			x, y := a.Overall.Cpk, b.Overall.Cpk
			switch {
			case x != nil && y != nil:
				return cmp.Compare(*x, *y)
			case x == nil && y == nil:
				return 0
			case x != nil:
				return -1
			}
			return 1
		})
	}
	return groups
}

// populationData is what the page of one figure over all units shows.
type populationData struct {
	api.Capability
	Serial, Bench    string // that the chart is narrowed to
	Serials, Benches []string
	Chart            *api.FigureChart
	NoChart          string // why there is none
	Risk             *api.RiskReport
	NoRisk           string
	Rule             string // asked for beside the usual ones
	Wanted           string
	Figures          string
}

func (s *Server) populationPage(c echo.Context) error {
	ctx, q := c.Request().Context(), c.QueryParams()
	f, err := s.readingFilter(ctx, q, "rule", "wanted", "figures")
	if err != nil {
		return err
	}
	whole := f
	whole.Serial, whole.Bench, whole.Connector = "", "", 0
	found, err := results.Capabilities(ctx, s.pool, whole)
	if err != nil {
		return err
	}
	one, err := results.OnlyCapability(found)
	if err != nil {
		return err
	}
	d := populationData{Capability: capabilityToWire(one), Serial: f.Serial, Bench: f.Bench, Rule: q.Get("rule"), Wanted: q.Get("wanted"), Figures: q.Get("figures")}
	for _, r := range one.Readings {
		d.Serials, d.Benches = append(d.Serials, r.Serial), append(d.Benches, r.Bench)
	}
	slices.Sort(d.Serials)
	slices.Sort(d.Benches)
	d.Serials, d.Benches = slices.Compact(d.Serials), slices.Compact(d.Benches)
	if d.Chart, d.NoChart, err = s.chartOf(ctx, f); err != nil {
		return err
	}
	if d.Risk, d.NoRisk, err = risksOf(one, q, f.Simulated); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "population", page{Title: fmt.Sprintf("%s %s of %s", one.Clause, one.Title, one.UnitType), Section: "yield", Simulated: f.Simulated, Data: d})
}

// chartOf charts the figure over all builds, or says why it cannot.
func (s *Server) chartOf(ctx context.Context, f results.ReadingFilter) (*api.FigureChart, string, error) {
	f.Build = ""
	chart, err := results.ChartFigure(ctx, s.pool, f)
	var refused *results.RefusedError
	if errors.As(err, &refused) {
		return nil, refused.Reason, nil
	}
	if err != nil {
		return nil, "", err
	}
	w := ChartToWire(chart, f.Simulated)
	return &w, "", nil
}

// risksOf compares the usual rules, and the one that is asked for.
func risksOf(c results.Capability, q url.Values, simulated bool) (*api.RiskReport, string, error) {
	var refused *results.RefusedError
	asked, wanted, err := rulesAsked(withoutEmpty(q))
	if err != nil {
		return nil, "", err
	}
	figures, err := figuresAsked(q)
	if err != nil {
		return nil, "", err
	}
	var rules []conformance.DecisionRule
	if len(asked) > 0 {
		rules = append(results.UsualRules(), asked...)
	}
	production, err := c.Production()
	if err == nil {
		var risk results.ProductionRisk
		if risk, err = results.RiskOf(production, rules, wanted); err == nil {
			w := RiskToWire(risk, FigureText(c.FigureName), readingUnit(c.Population), simulated, figures)
			return &w, "", nil
		}
	}
	if errors.As(err, &refused) {
		return nil, refused.Reason, nil
	}
	return nil, "", err
}

// withoutEmpty leaves out fields of a form that nothing was written into.
func withoutEmpty(q url.Values) url.Values {
	kept := url.Values{}
	for name, values := range q {
		for _, v := range values {
			if v != "" {
				kept.Add(name, v)
			}
		}
	}
	return kept
}

// populationAddress is where the page of one figure over all units stands.
func populationAddress(c api.Capability) string {
	q := url.Values{"build": {c.Build}, "type": {c.UnitType}, "clause": {c.Clause}, "requirement": {c.Requirement}, "condition": {c.Condition}}
	return "/yield/figure?" + q.Encode()
}

// sameFigureAddress is where the same figure stands over all units.
func sameFigureAddress(r api.Result) string {
	at := r.Conditions
	return populationAddress(api.Capability{Build: r.Build, UnitType: r.UnitType, Clause: r.Clause, Requirement: r.Key, Condition: results.ConditionOf(results.Case{
		Band: at.Band, RFChannel: conformance.RFChannel(at.RFChannel), BandwidthHz: at.BandwidthHz, SCSHz: at.SCSHz, TestModel: at.TestModel, Configuration: at.Configuration,
	})})
}

func (s *Server) benchesPage(c echo.Context) error {
	ctx := c.Request().Context()
	simulated := s.labSimulated(ctx)
	found, err := results.BenchAgreement(ctx, s.pool, simulated)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "agreement", page{Title: "How benches agree", Section: "yield", Simulated: simulated, Data: BenchesToWire(found, simulated)})
}

// indexText prints a capability index; none is a dash.
func indexText(v any) string {
	x, ok := number(v)
	if !ok {
		return none
	}
	return minus(strconv.FormatFloat(x, 'f', 2, 64))
}

// beyondText prints a share of units: small ones in parts per million.
func beyondText(v any) string {
	x, ok := number(v)
	switch {
	case !ok:
		return none
	case x < 1e-9:
		return "< 0.001 ppm"
	case x < 1e-3:
		return strconv.FormatFloat(1e6*x, 'g', 3, 64) + " ppm"
	}
	return strconv.FormatFloat(100*x, 'f', 2, 64) + " %"
}
