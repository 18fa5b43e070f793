package server

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"

	"github.com/labstack/echo/v4"

	"benchyard/jobs/conformance"
	"benchyard/jobs/results"
	"benchyard/jobs/statistics"
	"benchyard/server/api"
)

// CapabilitiesToWire returns capabilities as they go over the network.
func CapabilitiesToWire(found []results.Capability, simulated bool) api.CapabilityReport {
	report := api.CapabilityReport{Simulated: simulated, Level: results.Level, Capabilities: make([]api.Capability, 0, len(found))}
	for _, c := range found {
		report.Capabilities = append(report.Capabilities, capabilityToWire(c))
	}
	return report
}

func capabilityToWire(c results.Capability) api.Capability {
	units := map[string]bool{}
	for _, r := range c.Readings {
		units[r.Serial] = true
	}
	w := api.Capability{
		Build: c.Build, UnitType: c.UnitType, Clause: c.Clause, Requirement: c.Requirement, Title: c.Title, Condition: c.Condition, Conditions: c.Conditions,
		Margin: c.Margin, Unit: readingUnit(c.Population), Lower: c.Limits.Lower, Upper: c.Limits.Upper, Transmitters: len(c.Readings), Units: len(units),
		Mean: c.Summary.Mean, SD: finite(c.Summary.SD), Least: finite(c.Least), Outside: finite(c.Outside), BenchP: finite(c.BenchP),
		Within: indexToWire(c.Within, c.WithinInterval, c.WithinRefused), Overall: indexToWire(c.Overall, c.OverallInterval, c.OverallRefused),
		Histogram: histogram(c.Values()), Outliers: []api.OutlyingReading{},
	}
	if u := c.Uncertainty(); u > 0 {
		w.Uncertainty = &u
	}
	for _, o := range c.Outliers {
		w.Outliers = append(w.Outliers, api.OutlyingReading{
			Serial: o.Serial, Bench: o.Bench, Connector: o.Connector, CaseID: o.Case, MeasuredAt: o.At, Value: o.Value,
			Distance: o.Distance, Critical: o.Critical, Robust: finite(o.Robust),
		})
	}
	return w
}

// readingUnit is the unit of the readings: a margin to a level is in decibels.
func readingUnit(p results.Population) string {
	if p.Margin {
		return api.MarginUnit(p.Unit)
	}
	return p.Unit
}

func indexToWire(c *statistics.Capability, i statistics.Interval, refused string) api.CapabilityIndex {
	if c == nil {
		return api.CapabilityIndex{Refused: refused}
	}
	return api.CapabilityIndex{Sigma: &c.SD, Cp: finite(c.Cp), Cpk: &c.Cpk, Low: finite(i.Low), High: finite(i.High)}
}

// histogram sorts values into bins of equal width, about twice the root of
// their number; equal values are one bin.
func histogram(xs []float64) []api.Bin {
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range xs {
		low, high = min(low, x), max(high, x)
	}
	if !(low < high) {
		return []api.Bin{{From: low, To: high, Count: len(xs)}}
	}
	n := int(min(24, max(5, math.Ceil(2*math.Sqrt(float64(len(xs)))))))
	width := (high - low) / float64(n)
	bins := make([]api.Bin, n)
	for i := range bins {
		bins[i].From, bins[i].To = low+float64(i)*width, low+float64(i+1)*width
	}
	bins[n-1].To = high
	for _, x := range xs {
		bins[min(n-1, int((x-low)/width))].Count++
	}
	return bins
}

// ChartToWire returns a chart as it goes over the network.
func ChartToWire(c results.FigureChart, simulated bool) api.FigureChart {
	w := api.FigureChart{
		Simulated: simulated, UnitType: c.UnitType, Clause: c.Clause, Requirement: c.Requirement, Title: c.Title, Condition: c.Condition,
		Margin: c.Margin, Unit: readingUnit(c.Population), Centre: c.Chart.Centre, Lower: c.Chart.Lower, Upper: c.Chart.Upper, Sigma: c.Chart.Sigma,
		RangeMean: c.Ranges.Centre, RangeUpper: c.Ranges.Upper, Provisional: c.Provisional, Points: make([]api.ChartPoint, 0, len(c.Readings)),
	}
	for _, r := range c.Readings {
		w.Points = append(w.Points, api.ChartPoint{Serial: r.Serial, Build: r.Build, Bench: r.Bench, Connector: r.Connector,
			CaseID: r.Case, MeasuredAt: r.At, Value: r.Value, Signals: []int{}})
	}
	for _, s := range c.Signals {
		w.Points[s.At].Signals = append(w.Points[s.At].Signals, s.Rule)
	}
	return w
}

// RiskToWire returns the risks of rules as they go over the network, with what
// they come to for a unit that is judged at so many figures.
func RiskToWire(r results.ProductionRisk, of, unit string, simulated bool, figures int) api.RiskReport {
	w := api.RiskReport{
		Simulated: simulated, Of: of, Unit: unit, Mean: r.Mean, SD: r.SD, Uncertainty: r.Standard, Lower: finite(r.Tolerance.Low), Upper: finite(r.Tolerance.High),
		Rules: make([]api.RuleRisk, 0, len(r.Rules)), Wanted: r.Wanted, Refused: r.Refused, Figures: figures,
	}
	for _, x := range r.Rules {
		w.Nonconforming = x.Nonconforming
		w.Rules = append(w.Rules, api.RuleRisk{Rule: x.Rule.String(), GuardBand: x.GuardBand, Lower: finite(x.Accept.Low), Upper: finite(x.Accept.High),
			FalseAccept: x.Consumer, FalseReject: x.Producer, GoodUnitRejected: finite(r.GoodUnitRejected(x, figures))})
	}
	if r.Refused == "" {
		factor := r.Band / (2 * r.Standard)
		w.GuardBand, w.Factor = &r.Band, &factor
	}
	return w
}

// FigureText names a figure of a population for people.
func FigureText(n results.FigureName) string {
	text := fmt.Sprintf("%s %s of %s", n.Requirement, n.Title, n.UnitType)
	if n.Build != "" {
		text += " under " + n.Build
	}
	return text + ", " + n.Condition
}

// figureParameters are the query parameters that select readings.
func figureParameters() []string {
	return []string{"build", "type", "unit", "bench", "clause", "requirement", "condition", "connector"}
}

// readingFilter reads them. The world is that of the inventory in force.
func (s *Server) readingFilter(ctx context.Context, q url.Values, more ...string) (results.ReadingFilter, error) {
	f := results.ReadingFilter{
		Build: q.Get("build"), UnitType: q.Get("type"), Serial: q.Get("unit"), Bench: q.Get("bench"),
		Clause: q.Get("clause"), Requirement: q.Get("requirement"), Condition: q.Get("condition"), Simulated: s.labSimulated(ctx),
	}
	if err := onlyParameters(q, append(figureParameters(), more...)...); err != nil {
		return f, err
	}
	if text := q.Get("connector"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			return f, badRequest(fmt.Sprintf("connector: %q is no connector; they count from 1", text))
		}
		f.Connector = n
	}
	return f, nil
}

func (s *Server) getCapability(c echo.Context) error {
	ctx, q := c.Request().Context(), c.QueryParams()
	f, err := s.readingFilter(ctx, q, "all")
	if err != nil {
		return err
	}
	all := false
	if text := q.Get("all"); text != "" {
		if all, err = strconv.ParseBool(text); err != nil {
			return badRequest("all must be true or false")
		}
	}
	found, err := results.Capabilities(ctx, s.pool, f)
	if err != nil {
		return err
	}
	if !all {
		found = results.LeastCapable(found)
	}
	return writeJSON(c, http.StatusOK, CapabilitiesToWire(found, f.Simulated))
}

func (s *Server) getChart(c echo.Context) error {
	ctx := c.Request().Context()
	f, err := s.readingFilter(ctx, c.QueryParams())
	if err != nil {
		return err
	}
	chart, err := results.ChartFigure(ctx, s.pool, f)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, ChartToWire(chart, f.Simulated))
}

func (s *Server) getRisk(c echo.Context) error {
	ctx, q := c.Request().Context(), c.QueryParams()
	f, err := s.readingFilter(ctx, q, "mean", "sd", "uncertainty", "lower", "upper", "rule", "wanted", "figures")
	if err != nil {
		return err
	}
	rules, wanted, err := rulesAsked(q)
	if err != nil {
		return err
	}
	figures, err := figuresAsked(q)
	if err != nil {
		return err
	}
	given, any, err := productionGiven(q)
	if err != nil {
		return err
	}
	of, unit := "", ""
	if !any {
		found, err := results.Capabilities(ctx, s.pool, f)
		if err != nil {
			return err
		}
		one, err := results.OnlyCapability(found)
		if err != nil {
			return err
		}
		if given, err = one.Production(); err != nil {
			return err
		}
		of, unit = FigureText(one.FigureName), readingUnit(one.Population)
	}
	risk, err := results.RiskOf(given, rules, wanted)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, RiskToWire(risk, of, unit, f.Simulated && !any, figures))
}

// figuresAsked is how many figures a unit is judged at; one unless given.
func figuresAsked(q url.Values) (int, error) {
	text := q.Get("figures")
	if text == "" {
		return 1, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return 0, badRequest(fmt.Sprintf("figures: %q is not a whole number from 1", text))
	}
	return n, nil
}

func rulesAsked(q url.Values) (rules []conformance.DecisionRule, wanted float64, err error) {
	for _, text := range q["rule"] {
		rule, err := conformance.ParseDecisionRule(text)
		if err != nil {
			return nil, 0, badRequest(err.Error())
		}
		rules = append(rules, rule)
	}
	w, err := optionalNumber(q, "wanted")
	if w != nil {
		wanted = *w
		if !(wanted > 0 && wanted < 1) {
			err = badRequest("wanted is a share of all units, between 0 and 1")
		}
	}
	return rules, wanted, err
}

// productionGiven reads a production from the query; any tells whether one was
// given at all.
func productionGiven(q url.Values) (p results.Production, any bool, err error) {
	p.Tolerance = conformance.Interval{Low: math.Inf(-1), High: math.Inf(1)}
	for _, x := range []struct {
		name   string
		into   *float64
		wanted bool
	}{{"mean", &p.Mean, true}, {"sd", &p.SD, true}, {"uncertainty", &p.Standard, true}, {"lower", &p.Tolerance.Low, false}, {"upper", &p.Tolerance.High, false}} {
		v, err := optionalNumber(q, x.name)
		if err != nil {
			return p, any, err
		}
		if v != nil {
			*x.into, any = *v, true
		}
	}
	if any && !(q.Has("mean") && q.Has("sd") && q.Has("uncertainty")) {
		return p, any, badRequest("a production is given with mean, sd, uncertainty and a lower or an upper limit; leave all out for one that was measured")
	}
	return p, any, nil
}

func optionalNumber(q url.Values, name string) (*float64, error) {
	text := q.Get(name)
	if text == "" {
		return nil, nil
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return nil, badRequest(fmt.Sprintf("%s: %q is not a number", name, text))
	}
	return &x, nil
}

// SignalText says in words what a zone rule has seen.
func SignalText(rule int) string {
	switch rule {
	case 1:
		return "1: beyond 3 sigma"
	case 2:
		return "2: two of three beyond 2 sigma"
	case 3:
		return "3: four of five beyond 1 sigma"
	}
	return "4: eight in a row on one side"
}
