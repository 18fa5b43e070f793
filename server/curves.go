package server

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"benchyard/jobs/procedure"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// caseView is what the page of a case shows beside what programs get.
type caseView struct {
	api.CaseDetail
	Lost string // why the traces cannot be drawn; empty: they can
}

// curves draws the curves of a case once more from its stored traces, or says why
// that cannot be done.
func (e evidence) curves() (curves []api.Curve, why string) {
	curves = []api.Curve{}
	if lostIn(e.traces) != nil {
		return curves, "" // the page says so beside the traces
	}
	if !e.context.known || len(e.traces) == 0 {
		return curves, ""
	}
	found, err := procedure.Curves(e.stored.Clause, e.context.setup, takenTraces(e.traces))
	if err != nil {
		return curves, err.Error()
	}
	for _, c := range found {
		w := api.Curve{
			Title: c.Title, XName: c.XName, XUnit: c.XUnit, YName: c.YName, YUnit: c.YUnit, X: c.X, Y: c.Y, Lower: c.Lower, Upper: c.Upper,
			Lines: c.Lines, Limits: c.Most,
		}
		if w.Limits == nil {
			w.Limits = []*float64{}
		}
		curves = append(curves, w)
	}
	return curves, ""
}

// lostIn returns why the traces of a case cannot be looked at as a whole; nil:
// they can.
func lostIn(traces []results.Trace) error {
	for _, t := range traces {
		if t.Lost != nil {
			return t.Lost
		}
	}
	return nil
}

// takenTraces are stored traces as a procedure took them.
func takenTraces(stored []results.Trace) []procedure.Trace {
	taken := make([]procedure.Trace, len(stored))
	for i, t := range stored {
		taken[i] = procedure.Trace{Role: t.Role, Sweep: t.Sweep, Spectrum: t.Spectrum, Unit: t.Unit}
	}
	return taken
}

func curveFunctions() template.FuncMap { return template.FuncMap{"curve": drawCurve} }

// mostDots is how many points of a curve are marked; more would hide its line.
const mostDots = 200

// curveDrawing is one curve laid out for SVG.
type curveDrawing struct {
	Width, Height, Left, Right, Top, Bottom float64
	XTicks, YTicks                          []tick
	XName, YName, Title, Label              string
	Line                                    string
	Dots                                    []dot
	Limits                                  []tick // those near enough to be drawn to scale
	Far                                     string // those that are not, in words
	Stems                                   []stem
}

// stem is a spectral line, with the limit of its own if it has one.
type stem struct {
	X, Y, Limit float64
	Text        string // the limit; empty: none
}

// most is the limit of point i; where it has none the point itself stands for it.
func most(c api.Curve, i int) float64 {
	if i < len(c.Limits) && c.Limits[i] != nil {
		return *c.Limits[i]
	}
	return c.Y[i]
}

func limitText(c api.Curve, i int) string {
	if i < len(c.Limits) && c.Limits[i] != nil {
		return "limit " + figureText(*c.Limits[i], c.YUnit)
	}
	return ""
}

// dot is a point of a curve with its figures in words.
type dot struct {
	X, Y float64
	Text string
}

func drawCurve(c api.Curve) curveDrawing {
	d := curveDrawing{
		Width: 1280, Height: 320, Left: 90, Right: 1130, Top: 26, Bottom: 272, Title: c.Title,
		XName: c.XName, YName: c.YName + ", " + c.YUnit,
	}
	if len(c.X) == 0 {
		return d
	}
	if c.XUnit != "" {
		d.XName += ", " + c.XUnit
	}
	low, high, near := d.limited(c)
	y := scale(low, high, d.Bottom, d.Top)
	left, right := slices.Min(c.X), slices.Max(c.X)
	x := scale(left, right, d.Left+12, d.Right-12)
	for _, limit := range near {
		d.Limits = append(d.Limits, tick{y(limit), figureText(limit, c.YUnit)})
	}
	d.XTicks, d.YTicks = ticks(left, right, 8, c.XUnit, x), ticks(low, high, 6, c.YUnit, y)
	var line strings.Builder
	for i := range c.X {
		px, py := x(c.X[i]), y(c.Y[i])
		if c.Lines {
			d.Stems = append(d.Stems, stem{px, py, y(most(c, i)), limitText(c, i)})
		} else {
			fmt.Fprintf(&line, "%.1f,%.1f ", px, py)
		}
		if len(c.X) <= mostDots {
			d.Dots = append(d.Dots, dot{px, py, sigmaText(c.X[i], c.XUnit) + ": " + sigmaText(c.Y[i], c.YUnit)})
		}
	}
	d.Line = line.String()
	d.Label = fmt.Sprintf("%s: %s, %s from %s to %s; %s from %s to %s", c.Title, amountText(len(c.X), "point"),
		c.XName, figureText(left, c.XUnit), figureText(right, c.XUnit), c.YName, figureText(slices.Min(c.Y), c.YUnit), figureText(slices.Max(c.Y), c.YUnit))
	return d
}

// limited returns what the axis of a curve spans: its points, and the limits that
// are no farther away than the readings of a population may be from theirs.
func (d *curveDrawing) limited(c api.Curve) (low, high float64, near []float64) {
	from, to := slices.Min(c.Y), slices.Max(c.Y)
	spread := max(to-from, 0.1)
	for i := range c.Y {
		from, to = min(from, most(c, i)), max(to, most(c, i))
	}
	low, high = from, to
	var far []string
	for _, limit := range []*float64{c.Lower, c.Upper} {
		switch {
		case limit == nil:
		case *limit < from-drawnLimits*spread || *limit > to+drawnLimits*spread:
			far = append(far, fmt.Sprintf("limit %s, off the scale", figureText(*limit, c.YUnit)))
		default:
			near = append(near, *limit)
			low, high = min(low, *limit), max(high, *limit)
		}
	}
	d.Far = strings.Join(far, "; ")
	room := max((high-low)/12, 0.01)
	return low - room, high + room, near
}

// scale places values between two ends of an axis; a single value stands in the middle.
func scale(low, high, first, last float64) func(float64) float64 {
	return func(v float64) float64 {
		if !(high > low) {
			return tenth((first + last) / 2)
		}
		return tenth(first + math.Min(math.Max((v-low)/(high-low), 0), 1)*(last-first))
	}
}
