package plan

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"benchyard/instruments/document"
	"benchyard/jobs/conformance"
)

const (
	maxConnectors = 64
	maxRetries    = 10
	maxWarmUp     = 24 * time.Hour
)

// name is what a plan may be called; names end up in addresses of pages.
var name = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._+-]{0,63}$`)

// Parse reads a plan and checks that every carrier, clause, RF channel and test
// model in it exists and that it asks for nothing twice. The error is
// document.Problems: all that is wrong, each at its line and column.
func Parse(file string, data []byte) (*Plan, error) { return ParseFor(file, data) }

// ParseFor is Parse with the radio unit types of a lab at hand. It also
// reports connectors that a type measured on them does not have, and a plan
// that fits none of the types.
func ParseFor(file string, data []byte, targets ...Target) (*Plan, error) {
	var p Plan
	d := document.Read(file, data)
	d.Decode(&p)
	fillDefaults(d, &p)
	c := checker{d, &p}
	c.head()
	c.carriers("carriers", p.Carriers)
	c.configurations()
	c.tests()
	c.warmUp()
	c.repeated()
	c.noiseFloor()
	c.again()
	c.health()
	c.targets(targets)
	if err := d.Problems().Err(); err != nil {
		return nil, err
	}
	return &p, nil
}

func fillDefaults(d *document.Document, p *Plan) {
	if p.OnFail == "" && !d.Has("on_fail") {
		p.OnFail = Continue
	}
	if p.Rule.Name == "" && !d.Has("decision_rule.name") {
		p.Rule.Name = conformance.SharedRisk
	}
	for i := range p.Tests {
		t := &p.Tests[i]
		if t.RFChannels == nil {
			t.RFChannels = rfChannels(t.Clause)
		}
		if t.TestModels == nil {
			t.TestModels = []string{"NR-FR1-TM1.1"}
		}
	}
	if w := &p.WarmUp; d.Has("warm_up") {
		if !d.Has("warm_up.slope") {
			w.Slope = DefaultSlope
		}
		if !d.Has("warm_up.interval") {
			w.Interval = DefaultInterval
		}
	}
}

// checker reports what makes no sense in a plan whose values are all readable.
type checker struct {
	*document.Document
	plan *Plan
}

func (c *checker) head() {
	p := c.plan
	if !name.MatchString(p.Name) {
		c.Report("plan", "plan name %q: want letters, digits and . _ + -, at most 64, beginning with a letter or digit", p.Name)
	}
	if utf8.RuneCountInString(p.Title) > 200 || strings.ContainsAny(p.Title, "\n\r") {
		c.Report("title", "title: want one line of at most 200 characters")
	}
	c.OneOf("on_fail", "on_fail", p.OnFail, Continue, Stop)
	if p.Retries < 0 || p.Retries > maxRetries {
		c.Report("retries", "retries %d: want 0 to %d", p.Retries, maxRetries)
	}
	if c.OneOf("decision_rule.name", "decision rule", p.Rule.Name, conformance.Rules()...) {
		if err := p.Rule.Validate(); err != nil {
			key := "guard_band_factor"
			if p.Rule.Name == conformance.ConformanceProbability && p.Rule.GuardBandFactor == 0 || p.Rule.Probability != 0 {
				key = "probability"
			}
			c.Report("decision_rule."+key, "%s", withoutPackage(err))
		}
	}
}

func (c *checker) carriers(list string, carriers []CarrierChoice) {
	if len(carriers) == 0 && c.Has(list) {
		c.Report(list, "want at least one carrier")
	}
	for i, choice := range carriers {
		path := at("%s[%d]", list, i)
		if j := slices.Index(carriers, choice); j < i {
			line, _ := c.Position(at("%s[%d]", list, j))
			c.Report(path, "carrier %s is listed twice; the first stands on line %d", choice, line)
			continue
		}
		c.carrier(path, choice)
	}
}

// carrier checks that the band exists, transmits, and has such a channel. Each
// finding stands at the value that has to change.
func (c *checker) carrier(path string, choice CarrierChoice) {
	c.carrierIn(path, path+".band", choice)
}

// carrierIn is carrier with the band standing elsewhere.
func (c *checker) carrierIn(path, bandPath string, choice CarrierChoice) {
	band, err := conformance.BandByName(choice.Band)
	if err != nil {
		c.Report(bandPath, "%s", withoutPackage(err))
		return
	}
	if band.Name != choice.Band {
		c.Report(bandPath, "unknown operating band %q; did you mean %q?", choice.Band, band.Name)
		return
	}
	if len(band.Spacings()) > 0 && band.Refused == "" {
		if !slices.Contains(band.Spacings(), choice.SCS) {
			c.Report(path+".scs", "%s has no subcarrier spacing %s; possible are %s", band.Name, choice.SCS, join(band.Spacings()))
			return
		}
		if widths := band.Bandwidths(choice.SCS); !slices.Contains(widths, choice.Bandwidth) {
			c.Report(path+".bandwidth", "%s has no %s channel at %s subcarrier spacing; possible are %s", band.Name, choice.Bandwidth, choice.SCS, join(widths))
			return
		}
	}
	for _, ch := range everyChannel() {
		if _, err := conformance.Place(choice.Band, ch, choice.Bandwidth, choice.SCS); err != nil {
			c.Report(bandPath, "%s", withoutPackage(err))
			return
		}
	}
}

func (c *checker) tests() {
	if len(c.plan.Tests) == 0 {
		c.Report("tests", "want at least one test")
	}
	for i, t := range c.plan.Tests {
		path := at("tests[%d]", i)
		c.OneOf(path+".clause", "clause", t.Clause, conformance.MeasuredClauses()...)
		words(c, path+".rf_channels", "RF channel", t.RFChannels, everyChannel())
		words(c, path+".test_models", "test model", t.TestModels, TestModels())
		c.connectors(path+".connectors", t.Connectors)
		c.carriers(path+".carriers", t.Carriers)
		c.named(path, t)
		if len(c.plan.carriersOf(t)) == 0 && !c.Has(path+".carriers") && !c.Has("carriers") &&
			len(c.plan.configurationsOf(t)) == 0 && !c.Has(path+".configurations") {
			c.Report(path, "clause %s has no carriers: neither the plan nor this test lists any", t.Clause)
		}
	}
}

// words checks a list of known words without repetition.
func words[T ~string](c *checker, path, noun string, list, known []T) {
	if len(list) == 0 {
		c.Report(path, "want at least one %s", noun)
	}
	accepted := make([]string, len(known))
	for i, w := range known {
		accepted[i] = string(w)
	}
	for i, w := range list {
		where := at("%s[%d]", path, i)
		if c.OneOf(where, noun, string(w), accepted...) && slices.Contains(list[:i], w) {
			c.Report(where, "%s %s is listed twice", noun, string(w))
		}
	}
}

func (c *checker) connectors(path string, list Connectors) {
	if list != nil && len(list) == 0 {
		c.Report(path, "want at least one connector, or all")
	}
	for i, n := range list {
		where := at("%s[%d]", path, i)
		switch {
		case n < 1 || n > maxConnectors:
			c.Report(where, "connector %d: want 1 to %d", n, maxConnectors)
		case slices.Contains(list[:i], n):
			c.Report(where, "connector %d is listed twice", n)
		}
	}
}

func (c *checker) warmUp() {
	if !c.Has("warm_up") {
		return
	}
	w := c.plan.WarmUp
	for _, item := range []struct {
		key   string
		value time.Duration
	}{{"minimum", w.Minimum}, {"limit", w.Limit}, {"interval", w.Interval}} {
		if item.value < 0 || item.value > maxWarmUp {
			c.Report("warm_up."+item.key, "%s %s: want 0s to %s", item.key, item.value, maxWarmUp)
		}
	}
	if !(w.Slope > 0 && w.Slope <= 10) {
		c.Report("warm_up.slope", "slope %s: want above 0 and at most 10 dB between two readings", w.Slope)
	}
	if c.Has("warm_up.temperature_slope") && !(w.TemperatureSlope > 0) {
		c.Report("warm_up.temperature_slope", "slope of temperature %s: want above 0 K/min", w.TemperatureSlope)
	}
	if w.Limit == 0 {
		c.Report("warm_up", "a warm-up needs a limit, the longest time to wait; leave warm_up out to wait for nothing")
		return
	}
	if w.Interval == 0 {
		c.Report("warm_up.interval", "interval 0s: want the time between two readings")
	}
	if w.Limit > 0 && w.Minimum+w.Interval > w.Limit {
		c.Report("warm_up.limit", "limit %s leaves no time for two readings: minimum %s and interval %s are longer", w.Limit, w.Minimum, w.Interval)
	}
}

// targets holds the plan against the radio unit types of a lab.
func (c *checker) targets(targets []Target) {
	fits := len(targets) == 0
	for _, t := range targets {
		fits = fits || slices.ContainsFunc(c.plan.allCarriers(), t.declares) || slices.ContainsFunc(c.plan.Configurations, t.declaresAll)
		for i, test := range c.plan.Tests {
			for j, n := range c.plan.beyond(test, t) {
				if n > 0 && n <= maxConnectors {
					c.Report(at("tests[%d].connectors[%d]", i, j), "connector %d: radio unit type %q has connectors 1 to %d", n, t.Type, t.Connectors)
				}
			}
		}
	}
	if !fits {
		c.ReportKey("carriers", "no radio unit type of the lab declares any carrier of this plan")
	}
}

func join[T any](list []T) string {
	parts := make([]string, len(list))
	for i, x := range list {
		parts[i] = fmt.Sprint(x)
	}
	return strings.Join(parts, ", ")
}

// at writes a path.
func at(format string, args ...any) string { return fmt.Sprintf(format, args...) }

// withoutPackage takes the package off an error that becomes a problem.
func withoutPackage(err error) string {
	return strings.TrimPrefix(err.Error(), "conformance: ")
}
