package server

import (
	"fmt"
	"html/template"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// none stands for "no figure": never zero, never empty.
const none = "–"

// figureFunctions print quantities, counts and conditions in templates.
func figureFunctions() template.FuncMap {
	return template.FuncMap{
		"hz":          func(v any) string { return figureText(v, "Hz") },
		"figure":      figureText,
		"margin":      marginText,
		"spread":      spreadText,
		"marginUnit":  api.MarginUnit,
		"delta":       func(a, b float64, unit string) string { return marginText(b-a, unit) },
		"clauseTitle": conformance.ClauseTitle,
		"percent":     percentText,
		"points":      pointsText,
		"chance":      chanceText,
		"slug":        slug,
		"short":       func(s string) string { return s[:min(len(s), 12)] },
		"condition":   conditionText,
		"json":        func(raw []byte) string { return string(raw) },
		"lasting":     lastingText,
		"amount":      amountText,
		"minuses":     minuses,
		"default": func(fallback, s string) string {
			if s == "" {
				return fallback
			}
			return s
		},
	}
}

// number takes a value or a pointer to one, as wire types have both.
func number(v any) (float64, bool) {
	switch x := v.(type) {
	case float64:
		return x, true
	case *float64:
		if x != nil {
			return *x, true
		}
	case int:
		return float64(x), true
	}
	return 0, false
}

// figureText prints a figure with its unit: levels and ratios to 0.01,
// frequencies with the largest fitting unit and no more than seven figures.
func figureText(v any, unit string) string {
	x, ok := number(v)
	switch {
	case !ok:
		return none
	case unit == "Hz":
		// Seven figures are a part in ten million: a raster point in every band.
		return minus(hertzText(x, 7))
	default:
		return minus(strconv.FormatFloat(x, 'f', 2, 64)) + " " + unit
	}
}

// hertzText prints a frequency to so many figures with the largest fitting unit.
func hertzText(x float64, figures int) string {
	if x == 0 {
		return "0 Hz"
	}
	scale := math.Pow(10, float64(figures-1)-math.Floor(math.Log10(math.Abs(x))))
	return rf.Hertz(math.Round(x*scale) / scale).String()
}

// hertzFixed prints a frequency with exactly so many figures, so that columns
// of figures compare at a glance.
func hertzFixed(x float64, figures int) string {
	scale, unit := 1.0, "Hz"
	for _, u := range []struct {
		factor float64
		name   string
	}{{1e9, "GHz"}, {1e6, "MHz"}, {1e3, "kHz"}} {
		if math.Abs(x) >= u.factor {
			scale, unit = u.factor, u.name
			break
		}
	}
	whole := 1
	if v := math.Abs(x / scale); v >= 1 {
		whole += int(math.Log10(v))
	}
	return strconv.FormatFloat(x/scale, 'f', max(0, figures-whole), 64) + " " + unit
}

// spreadText prints an uncertainty: three figures of a frequency are plenty.
func spreadText(v any, unit string) string {
	if x, ok := number(v); ok && unit == "Hz" {
		return hertzFixed(x, 3)
	}
	return figureText(v, unit)
}

// marginText prints a margin with its sign: plus passes.
func marginText(v any, unit string) string {
	x, ok := number(v)
	if !ok {
		return none
	}
	text := figureText(x, unit)
	if unit == "Hz" {
		text = minus(hertzFixed(x, 4))
	}
	if x >= 0 {
		return "+" + text
	}
	return text
}

// minus sets the typographic sign, which is as wide as a plus.
func minus(s string) string { return strings.Replace(s, "-", "−", 1) }

// signBefore is a sign before a number; hyphens in words and dates are none.
var signBefore = regexp.MustCompile(`(^|[ (])-(\d)`)

// minuses is minus for every number of a text.
func minuses(s string) string { return signBefore.ReplaceAllString(s, "$1−$2") }

func percentText(v any) string {
	x, ok := number(v)
	if !ok {
		return "no data"
	}
	return strconv.FormatFloat(100*x, 'f', 1, 64) + " %"
}

// pointsText prints a difference of shares in percentage points, with its sign.
func pointsText(v any) string {
	x, ok := number(v)
	if !ok {
		return none
	}
	tenths := math.Round(1000 * x)
	if tenths == 0 {
		return "0.0"
	}
	return minus(fmt.Sprintf("%+.1f", tenths/10))
}

// chanceText prints a probability of error: nobody needs more than two figures,
// and nothing is ever impossible.
func chanceText(v any) string {
	x, ok := number(v)
	switch {
	case !ok:
		return none
	case x < 0.001:
		return "< 0.001"
	case x < 0.1:
		return strconv.FormatFloat(x, 'f', 3, 64)
	}
	return strconv.FormatFloat(x, 'f', 2, 64)
}

func conditionText(c api.Conditions) string {
	if c.Configuration != "" {
		return fmt.Sprintf("%s %s (%d carriers), channel %s, connector %d", c.Band, c.Configuration, len(c.Carriers), c.RFChannel, c.Connector)
	}
	return fmt.Sprintf("%s %s, SCS %s, channel %s, connector %d", c.Band, hertzText(c.BandwidthHz, 7), hertzText(c.SCSHz, 7), c.RFChannel, c.Connector)
}

// amountText prints a count with its noun in the right number.
func amountText(n int, noun string) string {
	stem, ies := strings.CutSuffix(noun, "cy")
	switch {
	case n == 1:
	case ies:
		noun = stem + "cies"
	default:
		noun += "s"
	}
	return strconv.Itoa(n) + " " + noun
}

// slug makes a word safe for the name of an element or a class.
func slug(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, s)
}

func timeOf(v any) (time.Time, bool) {
	switch t := v.(type) {
	case time.Time:
		return t, !t.IsZero()
	case *time.Time:
		if t != nil && !t.IsZero() {
			return *t, true
		}
	}
	return time.Time{}, false
}

// whenText prints date and time with the offset of the zone, so that a printed
// page can be read anywhere.
func whenText(v any, zone *time.Location) string {
	t, ok := timeOf(v)
	if !ok {
		return none
	}
	t = t.In(zone)
	return t.Format("2006-01-02 15:04:05 ") + zoneName(t)
}

func clockText(v any, zone *time.Location) string {
	t, ok := timeOf(v)
	if !ok {
		return none
	}
	t = t.In(zone)
	return t.Format("15:04:05 ") + zoneName(t)
}

func zoneName(t time.Time) string { return "UTC" + t.Format("-07:00") }

// lastingText prints a duration in seconds for people.
func lastingText(seconds float64) string {
	switch {
	case seconds < 0.1:
		return strconv.FormatFloat(1000*seconds, 'f', 1, 64) + " ms"
	case seconds < 100:
		return strconv.FormatFloat(seconds, 'f', 1, 64) + " s"
	}
	return time.Duration(math.Round(seconds) * float64(time.Second)).String()
}
