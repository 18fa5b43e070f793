package server

import (
	"html/template"
	"math"

	"benchyard/server/api"
)

// drawingFunctions lay out what templates draw.
func drawingFunctions() template.FuncMap {
	return template.FuncMap{
		"ruler":    drawRuler,
		"interval": drawInterval,
		"shape":    shapeOf,
		"counted":  func(f api.Fraction, n int) countedFraction { return countedFraction{f, n} },
		"changes":  changesOf,
	}
}

// countedFraction is a yield with the n it is out of.
type countedFraction struct {
	Fraction api.Fraction
	N        int
}

// changeTable is one direction of what changed between two builds.
type changeTable struct {
	BuildA, BuildB string
	Rows           []api.Change
}

func changesOf(r api.YieldReport, worse bool) changeTable {
	t := changeTable{BuildA: r.BuildA, BuildB: r.BuildB}
	for _, c := range r.Changes {
		if c.Worse == worse {
			t.Rows = append(t.Rows, c)
		}
	}
	return t
}

// ruler is a progress bar drawn like a scale: a filled length under ticks.
// Lengths are in units of a drawing 400 wide; styles cannot say them, because
// the content security policy forbids inline styles.
type ruler struct {
	Done, Total int
	Filled      float64
	Ticks       []float64
}

const rulerWidth = 400

func drawRuler(done, total int) ruler {
	r := ruler{Done: done, Total: total}
	if total > 0 {
		r.Filled = math.Round(rulerWidth * float64(done) / float64(total))
	}
	for i := 1; i < 20; i++ {
		r.Ticks = append(r.Ticks, float64(i*rulerWidth/20))
	}
	return r
}

// intervalDrawing places a proportion and its interval on a line 200 wide that
// runs from 0 to 100 %.
type intervalDrawing struct {
	Low, Width, Point float64
	Known             bool
}

func drawInterval(f api.Fraction) intervalDrawing {
	if f.Share == nil || f.Low == nil || f.High == nil {
		return intervalDrawing{}
	}
	const width = 200
	at := func(x float64) float64 { return math.Round(10*(4+x*width)) / 10 }
	return intervalDrawing{Low: at(*f.Low), Width: math.Round(10*(*f.High-*f.Low)*width) / 10, Point: at(*f.Share), Known: true}
}

// shapeOf names the shape that stands beside a verdict, so that colour is never
// the only carrier of it.
func shapeOf(verdict string) string {
	switch verdict {
	case "pass":
		return "disc"
	case "conditional pass":
		return "ring"
	case "conditional fail":
		return "notch"
	case "fail":
		return "cross"
	case "error":
		return "triangle"
	case "aborted":
		return "square"
	}
	return "dash"
}
