package lab

import (
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

func (c *checker) types() {
	list := c.lab.Types
	c.unique("radio_unit_types", len(list), ".name", "radio unit type", func(i int) string { return list[i].Name })
	for n, t := range list {
		path := at("radio_unit_types[%d]", n)
		if t.Maker == "" {
			c.Report(path+".maker", "maker is empty")
		}
		c.count(path+".connectors", "connectors", t.Connectors, maxConnectors)
		c.OneOf(path+".class", "class", t.Class, "wide-area", "medium-range", "local-area")
		c.OneOf(path+".type", "type", t.Type, "1-C", "1-H")
		c.OneOf(path+".category", "category", t.Category, "A", "B")
		switch {
		case t.Category == "B":
			c.count(path+".category_b_option", "category_b_option", t.CategoryBOption, 2)
		case c.Has(path + ".category_b_option"):
			c.Report(path+".category_b_option", "category_b_option belongs to category B only")
		}
		c.count(path+".transmit_units", "transmit_units", t.TransmitUnits, 1024)
		c.swr(path+".output_swr", t.OutputSWR)
		c.words(path+".needs", "option", t.Needs)
		for i, option := range t.Options {
			if where := at("%s.options[%d]", path, i); option == "" {
				c.Report(where, "the option is empty")
			} else if slices.Contains(t.Options[:i], option) {
				c.Report(where, "option %q is listed twice", option)
			}
		}
		if t.RatedPower < -30 || t.RatedPower > 60 {
			c.Report(path+".rated_power", "rated_power %s: want -30 to 60 dBm per connector", t.RatedPower)
		}
		c.totalPower(path, t)
		c.carriers(path, t)
		c.dialect(path+".dialect", unitRole, t.Dialect)
		c.control(path, t)
	}
}

func (c *checker) totalPower(path string, t RadioUnitType) {
	switch {
	case t.TotalPower == nil:
	case !(*t.TotalPower >= t.RatedPower):
		c.Report(path+".total_power", "total_power %s is below the rated_power of one carrier, %s", *t.TotalPower, t.RatedPower)
	case *t.TotalPower > 60:
		c.Report(path+".total_power", "total_power %s: want at most 60 dBm per connector", *t.TotalPower)
	}
}

func (c *checker) carriers(path string, t RadioUnitType) {
	if len(t.Carriers) == 0 {
		c.Report(path+".carriers", "want at least one band")
	}
	bands := map[string]bool{}
	for i, carrier := range t.Carriers {
		where := at("%s.carriers[%d]", path, i)
		if bands[carrier.Band] {
			c.Report(where+".band", "band %q is listed twice; put its bandwidths together", carrier.Band)
		}
		bands[carrier.Band] = true
		if carrier.Band == "" || carrier.Band != strings.ToLower(carrier.Band) {
			c.Report(where+".band", "band %q: want an operating band such as n78", carrier.Band)
		}
		c.frequencies(where+".bandwidths", "bandwidth", carrier.Bandwidths, func(f rf.Hertz) bool {
			return f >= 3*rf.Megahertz && f <= 100*rf.Megahertz
		}, "3 to 100 MHz")
		c.frequencies(where+".scs", "subcarrier spacing", carrier.SCS, func(f rf.Hertz) bool {
			return slices.Contains([]rf.Hertz{15 * rf.Kilohertz, 30 * rf.Kilohertz, 60 * rf.Kilohertz}, f)
		}, "15 kHz, 30 kHz or 60 kHz")
	}
}

// frequencies checks a list that must not be empty nor repeat itself.
func (c *checker) frequencies(path, noun string, list []rf.Hertz, right func(rf.Hertz) bool, want string) {
	if len(list) == 0 {
		c.Report(path, "want at least one %s", noun)
	}
	for i, f := range list {
		if !right(f) {
			c.Report(at("%s[%d]", path, i), "%s %s: want %s", noun, f, want)
		} else if slices.Contains(list[:i], f) {
			c.Report(at("%s[%d]", path, i), "%s %s is listed twice", noun, f)
		}
	}
}

func (c *checker) units() {
	list := c.lab.Units
	c.unique("radio_units", len(list), ".serial", "radio unit", func(i int) string { return list[i].Serial })
	type slot struct {
		bench string
		slot  int
	}
	mounted := map[slot]RadioUnit{}
	for n, u := range list {
		path := at("radio_units[%d]", n)
		if u.Revision == "" {
			c.Report(path+".revision", "revision is empty; results are kept by board revision")
		}
		unitType, known := c.lab.Type(u.Type)
		if !known {
			c.OneOf(path+".type", "radio unit type", u.Type, names(c.lab.Types, func(t RadioUnitType) string { return t.Name })...)
		}
		if !u.Mounted() {
			if u.Slot != 0 {
				c.Report(path+".slot", "slot %d without a bench", u.Slot)
			}
			if u.Mount != "" {
				c.Report(path+".mount", "mount %q without a bench; say into which slot of which bench", u.Mount)
			}
		} else {
			c.need(path, "radio unit on a bench", "resource")
		}
		if known {
			c.reached(path, u, unitType)
		}
		if u.Mount != "" {
			c.OneOf(path+".mount", "mount", u.Mount, MountByHand)
		}
		if c.Has(path + ".resource") {
			c.resource(path+".resource", u.Resource, u.owner(), u.ByHand())
		}
		if !u.Mounted() {
			continue
		}
		bench, ok := c.bench(path+".bench", u.Bench)
		if !ok || !c.slot(path+".slot", bench, u.Slot) {
			continue
		}
		if other, taken := mounted[slot{u.Bench, u.Slot}]; taken && !(other.ByHand() && u.ByHand()) {
			c.Report(path+".slot", "bench %q slot %d holds radio unit %q already", u.Bench, u.Slot, other.Serial)
			continue
		}
		mounted[slot{u.Bench, u.Slot}] = u
		if known {
			c.covered(path, u, unitType)
		}
	}
}

// golden checks the unit that a bench is compared with over time.
func (c *checker) golden(path string, b Bench) {
	unit, every := path+".golden_unit", path+".golden_every"
	if c.Has(every) && !c.Has(unit) {
		c.Report(every, "golden_every without golden_unit; say which unit on bench %q is measured again", b.Name)
	} else if c.Has(every) && b.GoldenEvery <= 0 {
		c.Report(every, "golden_every %s: want above 0, such as 24h", b.GoldenEvery)
	}
	if !c.Has(unit) {
		return
	}
	u, ok := c.lab.Unit(b.GoldenUnit)
	switch {
	case !ok:
		c.OneOf(unit, "radio unit", b.GoldenUnit, names(c.lab.Units, func(u RadioUnit) string { return u.Serial })...)
	case u.Bench != b.Name:
		c.Report(unit, "radio unit %q is not mounted on bench %q; a golden unit tells of the bench it is on", u.Serial, b.Name)
	}
}

// owner names whose address a resource is: those mounted by hand share that of
// their slot.
func (u RadioUnit) owner() string {
	if u.Mounted() && u.ByHand() {
		return fmt.Sprintf("what is mounted by hand in bench %q slot %d", u.Bench, u.Slot)
	}
	return fmt.Sprintf("radio unit %q", u.Serial)
}

// covered reports connectors of a mounted unit that no path leads away from.
func (c *checker) covered(path string, u RadioUnit, t RadioUnitType) {
	var missing []string
	for connector := 1; connector <= min(t.Connectors, maxConnectors); connector++ {
		if _, ok := c.lab.PathFor(u.Bench, u.Slot, connector); !ok {
			missing = append(missing, fmt.Sprint(connector))
		}
	}
	if len(missing) > 0 {
		c.Report(path+".slot", "radio unit %q: no path for bench %q slot %d connector %s; every connector of a mounted unit needs one",
			u.Serial, u.Bench, u.Slot, strings.Join(missing, ", "))
	}
}

func (c *checker) bench(path, bench string) (Bench, bool) {
	b, ok := c.lab.Bench(bench)
	if !ok {
		c.OneOf(path, "bench", bench, names(c.lab.Benches, func(b Bench) string { return b.Name })...)
	}
	return b, ok
}

func (c *checker) slot(path string, bench Bench, slot int) bool {
	if slot >= 1 && slot <= bench.Slots {
		return true
	}
	c.Report(path, "slot %d: bench %q has slots 1 to %d", slot, bench.Name, bench.Slots)
	return false
}

// withoutPackage takes the package off an error that becomes a problem.
func withoutPackage(err error) string {
	_, message, _ := strings.Cut(err.Error(), ": ")
	return message
}
