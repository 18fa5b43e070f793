package lab

import (
	"fmt"
	"slices"
	"unicode/utf8"

	"benchyard/instruments/rf"
)

// place names a path for people.
func (p Path) place() string { return fmt.Sprintf("path slot %d connector %d", p.Slot, p.Connector) }

func (c *checker) paths() {
	type place struct {
		bench           string
		slot, connector int
	}
	type route struct{ bench, route string }
	places, routes := map[place]int{}, map[route]int{}
	for n, p := range c.lab.Paths {
		path := at("paths[%d]", n)
		bench, ok := c.bench(path+".bench", p.Bench)
		slotOK := ok && c.slot(path+".slot", bench, p.Slot)
		connectorOK := c.count(path+".connector", "connector", p.Connector, maxConnectors)
		if key := (place{p.Bench, p.Slot, p.Connector}); slotOK && connectorOK {
			if first, twice := places[key]; twice {
				line, _ := c.Position(at("paths[%d]", first))
				c.Report(path+".connector", "bench %q slot %d connector %d has a path already, on line %d", p.Bench, p.Slot, p.Connector, line)
			} else {
				places[key] = n
			}
		}
		if ok && bench.ByHand() {
			if p.Route != "" {
				c.Report(path+".route", "route %q: bench %q has no switcher that could close it; leave it out", p.Route, p.Bench)
			}
		} else if p.Route == "" {
			c.Report(path+".route", "route is empty; want what the switcher closes")
		} else if first, twice := routes[route{p.Bench, p.Route}]; twice {
			line, _ := c.Position(at("paths[%d].route", first))
			c.Report(path+".route", "route %q of bench %q is used already, on line %d", p.Route, p.Bench, line)
		} else {
			routes[route{p.Bench, p.Route}] = n
		}
		c.correction(path, p)
		c.elements(path+".elements", p.Elements)
		c.swr(path+".swr", p.SWR)
		c.accuracy(path, "repeatability", p.Repeatability)
		if !(p.Bypassable >= 0 && p.Bypassable <= 200) {
			c.Report(path+".bypassable", "bypassable %s: want the loss that could be left out of the path, 0 dB or more", p.Bypassable)
		}
		if c.Has(path+".repeats") && (p.Repeats < 2 || !c.Has(path+".repeatability")) {
			c.Report(path+".repeats", "repeats %d: want the number of connections, 2 or more, that repeatability was seen in", p.Repeats)
		}
	}
}

func (c *checker) correction(path string, p Path) {
	if c.Has(path + ".correction_file") { // its rows are checked as they are read
		if c.Has(path + ".correction") {
			c.Report(path+".correction_file", "the path has a correction and a correction_file; want one of them")
		}
		return
	}
	if len(p.Correction) == 0 {
		c.Report(path+".correction", "the path has no correction; want correction with rows of frequency, loss and uncertainty, or correction_file")
	}
	c.rows(path+".correction", p.Correction)
}

// rows checks the rows of a correction.
func (c *checker) rows(path string, rows rf.Correction) {
	for i, point := range rows {
		row := at("%s[%d]", path, i)
		for _, key := range []string{"frequency", "loss", "uncertainty"} {
			if !c.Has(row + "." + key) {
				c.Report(row+"."+key, "missing key %q", key)
			}
		}
		if _, why := wrongPoint(point); why != "" {
			c.Report(row, "%s", why)
		}
		if i > 0 && point.Frequency <= rows[i-1].Frequency {
			c.Report(row+".frequency", "frequency %s does not rise above %s of the row before", point.Frequency, rows[i-1].Frequency)
		}
	}
}

// elements checks the names of what a path is made of.
func (c *checker) elements(path string, list []string) {
	c.unique(path, len(list), "", "element", func(i int) string { return list[i] })
}

// longestName bounds the name of a person, in characters.
const longestName = 200

// inForce checks the corrections in force.
func (c *checker) inForce() {
	if days := c.lab.CorrectionDays; days < 1 || days > mostCorrectionDays {
		c.Report("correction_days", "correction_days %d: want 1 to %d", days, mostCorrectionDays)
	}
	for n, a := range c.lab.Corrections {
		path := at("corrections[%d]", n)
		if !slices.ContainsFunc(c.lab.Paths, a.For) {
			c.Report(path+".connector", "bench %q slot %d connector %d has no path", a.Bench, a.Slot, a.Connector)
		}
		if slices.ContainsFunc(c.lab.Corrections[:n], func(b ApprovedCorrection) bool {
			return b.Bench == a.Bench && b.Slot == a.Slot && b.Connector == a.Connector
		}) {
			c.Report(path+".connector", "bench %q slot %d connector %d has two corrections in force", a.Bench, a.Slot, a.Connector)
		}
		for key, text := range map[string]string{"id": a.ID, "measured_by": a.MeasuredBy, "approved_by": a.ApprovedBy} {
			if text == "" || utf8.RuneCountInString(text) > longestName {
				c.Report(path+"."+key, "%s: want 1 to %d characters", key, longestName)
			}
		}
		if len(a.Correction) == 0 {
			c.Report(path+".correction", "no rows")
		}
		c.elements(path+".elements", a.Elements)
		c.rows(path+".correction", a.Correction)
	}
}

// mostCorrectionDays bounds how long a correction is good, ten years.
const mostCorrectionDays = 3650
