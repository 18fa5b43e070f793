package plan

import (
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Configuration is several carriers in one band, transmitted at once. Tests
// without carriers or configurations of their own are made on all of the plan,
// the occupied bandwidth on the contiguous ones only.
type Configuration struct {
	Name              string         `document:"required"`
	Band              string         `document:"required"`
	TestConfiguration string         `json:",omitempty"` // NRTC1, NRTC2, NRTC3, or none of them
	Carriers          []CarrierShape `document:"required"`
	Gaps              []rf.Hertz     // between one carrier and the next; left out: channels touch
}

// CarrierShape is one carrier of a configuration, rising by frequency.
type CarrierShape struct {
	Bandwidth rf.Hertz `document:"required"`
	SCS       rf.Hertz `document:"required"`
}

// conformance returns the configuration as the limits know it.
func (c Configuration) conformance() conformance.Configuration {
	out := conformance.Configuration{Test: c.TestConfiguration, Gaps: c.Gaps}
	for _, s := range c.Carriers {
		out.Carriers = append(out.Carriers, conformance.Shape{Bandwidth: s.Bandwidth, SCS: s.SCS})
	}
	return out
}

// contiguous reports whether all channels touch.
func (c Configuration) contiguous() bool {
	return !slices.ContainsFunc(c.Gaps, func(g rf.Hertz) bool { return g > 0 })
}

// allows reports whether a clause is laid down for the configuration.
func (c Configuration) allows(clause string) bool {
	return !conformance.IsHealth(clause) && (clause != conformance.OccupiedBandwidthClause || c.contiguous())
}

// key names the carriers and gaps: "100MHz@30kHz+60MHz+100MHz@30kHz". It does not
// depend on the name, so that the same condition has the same key in every plan.
func (c Configuration) key() string {
	var parts []string
	for i, s := range c.Carriers {
		if i > 0 && c.Gaps != nil && c.Gaps[i-1] > 0 {
			parts = append(parts, squeeze(c.Gaps[i-1]))
		}
		parts = append(parts, squeeze(s.Bandwidth)+"@"+squeeze(s.SCS))
	}
	return strings.Join(parts, "+")
}

func squeeze(f rf.Hertz) string { return strings.ReplaceAll(f.String(), " ", "") }

// String returns "n78 wide-gap".
func (c Configuration) String() string { return c.Band + " " + c.Name }

// configurationsOf returns the configurations a test is made on: those it names,
// none where it has carriers of its own, else all that allow its clause.
func (p *Plan) configurationsOf(t Test) []Configuration {
	var list []Configuration
	for _, c := range p.Configurations {
		named := slices.Contains(t.Configurations, c.Name)
		if named || len(t.Configurations) == 0 && len(t.Carriers) == 0 && c.allows(t.Clause) {
			list = append(list, c)
		}
	}
	return list
}

// on says whether a test is made on something.
type on func(Test) bool

func (p *Plan) onCarrier(choice CarrierChoice) on {
	return func(t Test) bool { return slices.Contains(p.carriersOf(t), choice) }
}

func (p *Plan) onConfiguration(name string) on {
	return func(t Test) bool {
		return slices.ContainsFunc(p.configurationsOf(t), func(c Configuration) bool { return c.Name == name })
	}
}

// declaresAll reports whether the type supports every carrier of a configuration.
func (t Target) declaresAll(c Configuration) bool {
	return !slices.ContainsFunc(c.Carriers, func(s CarrierShape) bool {
		return !t.declares(CarrierChoice{c.Band, s.Bandwidth, s.SCS})
	})
}

// configurationCases returns the cases of all configurations that fit a type.
func (p *Plan) configurationCases(t Target) ([]Case, error) {
	var cases []Case
	for _, c := range p.Configurations {
		if !t.declaresAll(c) {
			continue
		}
		for _, channel := range everyChannel() {
			carriers, err := conformance.PlaceConfiguration(c.Band, channel, c.conformance())
			if err != nil {
				return nil, fmt.Errorf("plan: %q for radio unit type %q, configuration %s: %w", p.Name, t.Type, c.Name, err)
			}
			at := Case{Carrier: carriers[0], Carriers: carriers, Configuration: c.Name, shape: c.key()}
			cases = append(cases, p.casesAt(p.onConfiguration(c.Name), at, t)...)
		}
	}
	return cases, nil
}

// configurations checks those of the plan: names, carriers, and that they have a
// place at every RF channel.
func (c *checker) configurations() {
	if c.Has("configurations") && len(c.plan.Configurations) == 0 {
		c.Report("configurations", "want at least one configuration")
	}
	seen := map[string]int{}
	for i, configuration := range c.plan.Configurations {
		path := at("configurations[%d]", i)
		if !name.MatchString(configuration.Name) {
			c.Report(path+".name", "configuration name %q: want letters, digits and . _ + -, at most 64, beginning with a letter or digit", configuration.Name)
		} else if first, twice := seen[configuration.Name]; twice {
			line, _ := c.Position(at("configurations[%d]", first))
			c.Report(path+".name", "configuration %s is listed twice; the first stands on line %d", configuration.Name, line)
		} else {
			seen[configuration.Name] = i
		}
		c.configuration(path, configuration)
	}
}

func (c *checker) configuration(path string, configuration Configuration) {
	before := len(c.Problems())
	for j, s := range configuration.Carriers {
		c.carrierIn(at("%s.carriers[%d]", path, j), path+".band", CarrierChoice{configuration.Band, s.Bandwidth, s.SCS})
		if len(c.Problems()) > before {
			return
		}
	}
	err := configuration.conformance().Validate()
	for _, ch := range everyChannel() {
		if err == nil {
			_, err = conformance.PlaceConfiguration(configuration.Band, ch, configuration.conformance())
		}
	}
	if err != nil {
		c.Report(path, "%s", withoutPackage(err))
	}
}

// named checks the configurations that a test names.
func (c *checker) named(path string, t Test) {
	if c.Has(path+".configurations") && len(t.Configurations) == 0 {
		c.Report(path+".configurations", "want at least one configuration")
	}
	for i, n := range t.Configurations {
		where := at("%s.configurations[%d]", path, i)
		j := slices.IndexFunc(c.plan.Configurations, func(c Configuration) bool { return c.Name == n })
		switch {
		case j < 0:
			c.Report(where, "the plan has no configuration %q", n)
		case slices.Contains(t.Configurations[:i], n):
			c.Report(where, "configuration %s is listed twice", n)
		case !c.plan.Configurations[j].allows(t.Clause):
			if conformance.IsHealth(t.Clause) {
				c.Report(where, "%s is made with one carrier", t.Clause)
				continue
			}
			c.Report(where, "clause %s is laid down for contiguous carriers; configuration %s has a gap", t.Clause, n)
		}
	}
}
