package server

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"

	"benchyard/server/api"
)

// populationFunctions lay out what the pages of populations draw. Drawings are
// made of numbers that templates put into SVG, so that they need no script.
func populationFunctions() template.FuncMap {
	return template.FuncMap{
		"distributionSmall": func(c api.Capability) distributionDrawing { return drawDistribution(c, 150, 34, 0) },
		"distributionLarge": func(c api.Capability) distributionDrawing { return drawDistribution(c, 900, 170, 30) },
		"individuals":       drawIndividuals,
		"capable":           indexText, "count": func(i int) int { return i + 1 }, "acceptable": acceptableText,
		"beyond":            beyondText,
		"populationAddress": populationAddress,
		"sameFigureAddress": sameFigureAddress,
		"signal":            SignalText,
		"sigma":             sigmaText,
	}
}

// tick is a mark on an axis.
type tick struct {
	At   float64
	Text string
}

// ticks returns round values from low to high, about so many, at their places.
func ticks(low, high float64, about int, unit string, place func(float64) float64) []tick {
	if !(high > low) {
		return []tick{{place(low), axisText(low, high, unit)}}
	}
	step := roundStep((high - low) / float64(about))
	var list []tick
	for x := math.Ceil(low/step) * step; x <= high+step/1e6; x += step {
		list = append(list, tick{place(x), axisText(x, step, unit)})
	}
	return list
}

// roundStep is the next of 1, 2 or 5 times a power of ten.
func roundStep(least float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(least)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= least {
			return m * power
		}
	}
	return 10 * power
}

// axisText prints a value to the place that the step has.
func axisText(x, step float64, unit string) string {
	scale := 1.0
	if unit == "Hz" {
		scale, unit = 1e6, "MHz"
	}
	places := 0
	if s := step / scale; s > 0 && s < 1 {
		places = int(math.Ceil(-math.Log10(s) - 1e-9))
	}
	return strings.TrimSuffix(minus(fmt.Sprintf("%.*f", places, x/scale+0))+" "+unit, " ")
}

// sigmaText prints a figure of statistics to three places more than levels have:
// spreads are small.
func sigmaText(v any, unit string) string {
	x, ok := number(v)
	if !ok {
		return none
	}
	if unit == "Hz" {
		return minus(hertzFixed(x, 4))
	}
	if unit == "" {
		return minus(strconv.FormatFloat(x, 'g', 6, 64))
	}
	return minus(fmt.Sprintf("%.3f", x)) + " " + unit
}

// distributionDrawing is a histogram with the limits and the mean.
type distributionDrawing struct {
	Width, Height, Base float64 // Base is where bars stand
	Bars                []bar
	Mean                float64
	Limits              []tick // those near enough to be drawn to scale
	Far                 string // those that are not, in words
	Ticks               []tick
	Label               string
}

// bar is one bin.
type bar struct{ X, Y, Width, Height float64 }

// drawnLimits is how many times the spread of the readings a limit may be away
// to be drawn to scale: farther, nobody would see the readings.
const drawnLimits = 5

func drawDistribution(c api.Capability, width, height, foot float64) distributionDrawing {
	d := distributionDrawing{Width: width, Height: height, Base: height - foot}
	if len(c.Histogram) == 0 {
		return d
	}
	from, to := c.Histogram[0].From, c.Histogram[len(c.Histogram)-1].To
	spread := max(to-from, 1e-9+math.Abs(from)*1e-6)
	low, high := from-spread/10, to+spread/10
	var far []string
	for _, limit := range []*float64{c.Lower, c.Upper} {
		switch {
		case limit == nil:
		case *limit < from-drawnLimits*spread || *limit > to+drawnLimits*spread:
			far = append(far, fmt.Sprintf("limit %s, off the scale", figureText(*limit, c.Unit)))
		default:
			low, high = min(low, *limit-spread/10), max(high, *limit+spread/10)
		}
	}
	place := func(x float64) float64 { return tenth((x - low) / (high - low) * width) }
	const head = 18 // for the name of a limit above the bars
	most, top := 0, 4.0
	if foot > 0 {
		top = head
	}
	for _, b := range c.Histogram {
		most = max(most, b.Count)
	}
	for _, b := range c.Histogram {
		h := tenth(float64(b.Count) / float64(most) * (d.Base - top))
		d.Bars = append(d.Bars, bar{X: place(b.From), Y: tenth(d.Base - h), Width: max(1.5, tenth(place(b.To)-place(b.From)-0.5)), Height: h})
	}
	for _, limit := range []*float64{c.Lower, c.Upper} {
		if limit != nil && *limit >= low && *limit <= high {
			d.Limits = append(d.Limits, tick{place(*limit), figureText(*limit, c.Unit)})
		}
	}
	d.Mean, d.Far = place(c.Mean), strings.Join(far, "; ")
	if foot > 0 {
		d.Ticks = ticks(low, high, 8, c.Unit, place)
	}
	d.Label = fmt.Sprintf("%d readings from %s to %s, mean %s", c.Transmitters, figureText(from, c.Unit), figureText(to, c.Unit), sigmaText(c.Mean, c.Unit))
	if d.Far != "" {
		d.Label += ", " + d.Far
	}
	return d
}

// individualsDrawing is a chart of single readings over their order.
type individualsDrawing struct {
	Width, Height, Left, Right float64 // readings stand between Left and Right
	Bottom                     float64
	Centre, Upper, Lower       tick
	Zones                      []float64 // one and two sigma to either side
	Line                       string    // through the points
	Points                     []individual
	Ticks                      []tick
	Steps                      []tick // where another build begins
	Unit                       string
	Signals                    int // points that signal
	Label                      string
}

// individual is one reading: a disc, or a triangle where it signals.
type individual struct {
	X, Y  float64
	Label string
	api.ChartPoint
}

// Triangle is the outline that marks a signal.
func (p individual) Triangle() string {
	return fmt.Sprintf("%.1f,%.1f %.1f,%.1f %.1f,%.1f", p.X, p.Y-7, p.X+6.5, p.Y+5, p.X-6.5, p.Y+5)
}

func drawIndividuals(c api.FigureChart) individualsDrawing {
	d := individualsDrawing{Width: 1280, Height: 300, Left: 90, Right: 1160, Bottom: 272, Unit: c.Unit}
	low, high := c.Lower, c.Upper
	for _, p := range c.Points {
		low, high = min(low, p.Value), max(high, p.Value)
	}
	room := (high - low) / 12
	low, high = low-room, high+room
	y := func(v float64) float64 { return tenth(d.Bottom - (v-low)/(high-low)*(d.Bottom-14)) }
	d.Centre = tick{y(c.Centre), sigmaText(c.Centre, c.Unit)}
	d.Upper, d.Lower = tick{y(c.Upper), sigmaText(c.Upper, c.Unit)}, tick{y(c.Lower), sigmaText(c.Lower, c.Unit)}
	for _, k := range []float64{-2, -1, 1, 2} {
		d.Zones = append(d.Zones, y(c.Centre+k*c.Sigma))
	}
	d.Ticks = ticks(low, high, 6, c.Unit, y)
	var line strings.Builder
	for i, p := range c.Points {
		at := individual{X: tenth(d.Left + (float64(i)+0.5)/float64(len(c.Points))*(d.Right-d.Left)), Y: y(p.Value), ChartPoint: p}
		at.Label = fmt.Sprintf("%d: %s, connector %d, build %s, %s: %s", i+1, p.Serial, p.Connector, p.Build, p.Bench, sigmaText(p.Value, c.Unit))
		for _, rule := range p.Signals {
			at.Label += "; signal " + SignalText(rule)
		}
		if len(p.Signals) > 0 {
			d.Signals++
		}
		if i > 0 && p.Build != c.Points[i-1].Build || i == 0 {
			d.Steps = append(d.Steps, tick{tenth(at.X - 0.5/float64(len(c.Points))*(d.Right-d.Left)), p.Build})
		}
		fmt.Fprintf(&line, "%.1f,%.1f ", at.X, at.Y)
		d.Points = append(d.Points, at)
	}
	d.Line = line.String()
	d.Label = fmt.Sprintf("%d readings in the order they were taken; a steady process keeps from %s to %s; %s", len(c.Points), d.Lower.Text, d.Upper.Text, amountText(d.Signals, "point"))
	d.Label += map[bool]string{true: " signals", false: " signal"}[d.Signals == 1]
	return d
}

// acceptableText judges the share of measuring in all that is seen, by the bands
// in common use.
func acceptableText(share float64) string {
	switch {
	case share < 0.1:
		return "good"
	case share <= 0.3:
		return "depends on the use"
	}
	return "not acceptable"
}

func tenth(x float64) float64 { return math.Round(10*x) / 10 }
