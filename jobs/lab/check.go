package lab

import (
	"fmt"
	"math"
	"regexp"
	"slices"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
)

const (
	maxSlots            = 64
	maxConnectors       = 64
	mostIsolation rf.DB = 200 // more is a slip of the pen
	maxVolts            = 75  // extra-low voltage; more is a slip of the pen and a danger
	maxAmps             = 200 // of the supplies of a bench
	maxLoss             = 150 // dB; nothing is measured behind more
	maxSWR              = 10  // most of the power comes back from more
	// maxUncertainty, in dB, is where a level is no measurement any more.
	maxUncertainty = 10
)

// namePattern is what benches, instruments, types, units and builds may be called:
// names end up in addresses of pages, in queue names and in file names.
var namePattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._+-]{0,63}$`)

// checker collects what makes no sense in a document whose values are all
// readable. Values that were lost in decoding are not reported again.
type checker struct {
	*document.Document
	lab       *Lab
	resources map[string]string // resource -> who has it
}

func check(d *document.Document, l *Lab) {
	c := checker{d, l, map[string]string{}}
	if l.Name == "" {
		c.Report("lab", "the lab needs a name")
	}
	c.addresses()
	c.instruments()
	c.benches()
	c.paths()
	c.inForce()
	c.types()
	c.units()
	c.retention()
	c.unique("builds", len(l.Builds), "", "build", func(i int) string { return l.Builds[i] })
}

// unique checks the names of a list and that none comes twice.
func (c *checker) unique(list string, n int, key, noun string, nameOf func(int) string) {
	first := map[string]int{}
	for i := range n {
		path := at("%s[%d]%s", list, i, key)
		word := nameOf(i)
		if !namePattern.MatchString(word) {
			c.Report(path, "%s %q: want letters, digits and . _ + -, at most 64, beginning with a letter or digit", noun, word)
			continue
		}
		if j, twice := first[word]; twice {
			line, _ := c.Position(at("%s[%d]%s", list, j, key))
			c.Report(path, "%s %q is listed twice; the first stands on line %d", noun, word, line)
			continue
		}
		first[word] = i
	}
}

// resource checks an address and that nobody else has it; a shared one, nobody
// but its owner.
func (c *checker) resource(path, resource, owner string, shared bool) {
	normal, host, err := normalResource(resource)
	if err != nil {
		c.Report(path, "%s", withoutPackage(err))
		return
	}
	if !c.lab.allowed(host) {
		c.Report(path, "%s is outside the addresses of this lab; correct it, or add it to allowed_addresses", host)
		return
	}
	if other, taken := c.resources[normal]; taken && !(shared && other == owner) {
		c.Report(path, "resource %q is that of %s already", resource, other)
		return
	}
	c.resources[normal] = owner
}

func (c *checker) instruments() {
	list := c.lab.Instruments
	c.unique("instruments", len(list), ".name", "instrument", func(i int) string { return list[i].Name })
	for n, i := range list {
		path := at("instruments[%d]", n)
		known := c.OneOf(path+".role", "role", i.Role, AnalyzerRole, GeneratorRole, PowerMeterRole, SupplyRole, SwitcherRole)
		c.resource(path+".resource", i.Resource, fmt.Sprintf("instrument %q", i.Name), false)
		if i.Identity == "" {
			c.Report(path+".identity", "identity is empty; want what *IDN? answers, so that a wrong instrument is noticed")
		}
		if known {
			c.dialect(path+".dialect", i.Role, i.Dialect)
		}
		if known && (i.Role == AnalyzerRole || i.Role == GeneratorRole || i.Role == PowerMeterRole) {
			c.need(path, i.Role, "certificate", "calibration_due")
		}
		if known && i.Role == AnalyzerRole {
			c.need(path, i.Role, "max_input", "frequency")
			if f := i.NoiseFactor; c.Has(path+".noise_factor") && !(f >= 1 && f <= 1.6) {
				// 1 is a rectangular filter, pi/2 a single pole (noise bandwidth over 3 dB bandwidth).
				c.Report(path+".noise_factor", "noise_factor %g: want 1 to 1.6, noise bandwidth over resolution bandwidth", f)
			}
		}
		c.shared(path, i, known)
		c.levels(path, i)
		if r := i.Frequency; c.Has(path+".frequency") && !(r.Low >= 0 && r.Low < r.High) {
			c.Report(path+".frequency", "frequency from %s to %s: want low below high", r.Low, r.High)
		}
	}
}

// levels checks what is known of the levels of an instrument.
func (c *checker) levels(path string, i Instrument) {
	c.accuracy(path, "level_uncertainty", i.LevelUncertainty)
	c.accuracy(path, "linearity", i.Linearity)
	c.swr(path+".input_swr", i.InputSWR)
	c.swr(path+".output_swr", i.OutputSWR)
	if i.Role != AnalyzerRole && i.Role != PowerMeterRole && (c.Has(path+".level_uncertainty") || c.Has(path+".input_swr")) {
		c.Report(path+".role", "level_uncertainty and input_swr belong to an analyzer or a power meter")
	}
	if i.Role != AnalyzerRole && c.Has(path+".linearity") {
		c.Report(path+".role", "linearity belongs to an analyzer")
	}
	if i.Role != GeneratorRole && c.Has(path+".output_swr") {
		c.Report(path+".role", "output_swr belongs to a generator")
	}
}

// need reports keys that one kind of item cannot do without.
func (c *checker) need(path, kind string, keys ...string) {
	for _, key := range keys {
		if !c.Has(path + "." + key) {
			c.Report(path+"."+key, "missing key %q; every %s needs it", key, kind)
		}
	}
}

func (c *checker) benches() {
	list := c.lab.Benches
	c.unique("benches", len(list), ".name", "bench", func(i int) string { return list[i].Name })
	if len(list) == 0 {
		c.Report("benches", "want at least one bench")
	}
	usedBy := map[string]string{} // instrument -> bench that named it first
	for n, b := range list {
		path := at("benches[%d]", n)
		for _, use := range []struct{ key, role, instrument string }{
			{"analyzer", AnalyzerRole, b.Analyzer}, {"generator", GeneratorRole, b.Generator},
			{"power_meter", PowerMeterRole, b.PowerMeter}, {"supply", SupplyRole, b.Supply}, {"switcher", SwitcherRole, b.Switcher},
		} {
			if use.instrument != "" || c.Has(path+"."+use.key) {
				c.benchUses(path+"."+use.key, b.Name, use.role, use.instrument, usedBy)
			}
		}
		c.count(path+".slots", "slots", b.Slots, maxSlots)
		if v := b.SupplyVolts; !(v > 0 && v <= maxVolts) {
			c.Report(path+".supply_volts", "supply_volts %g: want above 0 and at most %d", v, maxVolts)
		}
		if a := b.SupplyAmps; !(a > 0 && a <= maxAmps) {
			c.Report(path+".supply_amps", "supply_amps %g: want above 0 and at most %d", a, maxAmps)
		}
		c.OneOf(path+".idle_supply", "idle_supply", b.IdleSupply, KeepSupply, SupplyOff)
		if i := b.Isolation; !(i >= 0 && i <= mostIsolation) || c.Has(path+".isolation") && b.ByHand() {
			c.Report(path+".isolation", "isolation %s: want 0 to %s, of a bench with a switch matrix", i, mostIsolation)
		}
		c.golden(path, b)
		c.manualAlone(path, b)
		c.planning(path, b)
	}
	for n, i := range c.lab.Instruments {
		if i.Name != "" && usedBy[i.Name] == "" {
			c.Report(at("instruments[%d].name", n), "instrument %q is on no bench", i.Name)
		}
	}
}

func (c *checker) benchUses(path, bench, role, instrument string, usedBy map[string]string) {
	i, ok := c.lab.Instrument(instrument)
	switch {
	case !ok:
		c.OneOf(path, "instrument", instrument, names(c.lab.Instruments, func(i Instrument) string { return i.Name })...)
		return
	case i.Role != role:
		c.Report(path, "instrument %q has the role %q; the bench wants it as %q", instrument, i.Role, role)
	case usedBy[instrument] != "" && !i.Shared && sharable(role):
		c.Report(path, "instrument %q is on bench %q already; if both can reach it, say shared: true at the instrument", instrument, usedBy[instrument])
	case usedBy[instrument] != "" && !i.Shared:
		c.Report(path, "instrument %q is on bench %q already", instrument, usedBy[instrument])
	}
	usedBy[instrument] = bench
}

// count checks a whole number that starts at 1.
func (c *checker) count(path, noun string, n, most int) bool {
	if n >= 1 && n <= most {
		return true
	}
	c.Report(path, "%s %d: want 1 to %d", noun, n, most)
	return false
}

// swr checks a standing wave ratio that may be absent.
func (c *checker) swr(path string, v float64) {
	if c.Has(path) && !(v >= 1 && v <= maxSWR) {
		c.Report(path, "standing wave ratio %g: want 1 to %d", v, maxSWR)
	}
}

// accuracy checks an uncertainty in decibels that may be absent.
func (c *checker) accuracy(path, key string, v rf.DB) {
	if where := path + "." + key; c.Has(where) && !(v >= 0 && v <= maxUncertainty) {
		c.Report(where, "%s %s: want 0 to %d dB", key, v, maxUncertainty)
	}
}

// wrongPoint says what is wrong with a correction row alone, and with which of
// frequency, loss and uncertainty, counted from 0; nothing when all is well.
func wrongPoint(p rf.CorrectionPoint) (value int, why string) {
	switch {
	case p.Frequency < 0:
		return 0, fmt.Sprintf("frequency %s is negative", p.Frequency)
	case math.IsInf(float64(p.Frequency), 0):
		return 0, "the frequency is endless"
	case p.Loss < 0:
		return 1, fmt.Sprintf("loss %s is a gain; want 0 to %d dB, the attenuation from connector to analyzer", p.Loss, maxLoss)
	case p.Loss > maxLoss:
		return 1, fmt.Sprintf("loss %s: want 0 to %d dB, the attenuation from connector to analyzer", p.Loss, maxLoss)
	case p.Uncertainty < 0:
		return 2, fmt.Sprintf("uncertainty %s: want the expanded uncertainty (k = 2), not negative", p.Uncertainty)
	case p.Uncertainty > maxUncertainty:
		return 2, fmt.Sprintf("uncertainty %s: want the expanded uncertainty (k = 2), up to %d dB; is it the loss, the columns swapped?", p.Uncertainty, maxUncertainty)
	}
	return 0, ""
}

// names lists what can be referred to, each name once.
func names[T any](list []T, name func(T) string) []string {
	var all []string
	for _, item := range list {
		if n := name(item); n != "" && !slices.Contains(all, n) {
			all = append(all, n)
		}
	}
	return all
}

// at writes a path.
func at(format string, args ...any) string { return fmt.Sprintf(format, args...) }
