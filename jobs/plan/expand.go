package plan

import (
	"fmt"
	"iter"
	"slices"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Target is what a plan must know of a radio unit type to be expanded for it.
type Target struct {
	Type        string // name, for messages
	Connectors  int
	Declaration conformance.Declaration
	Carriers    []Declared
	ByHand      bool // a person moves the measuring cable: as few moves as possible
}

// Declared is a band a type supports, with the bandwidths and spacings
// declared for it. Every pair of them that the band has is supported.
type Declared struct {
	Band       string
	Bandwidths []rf.Hertz
	SCS        []rf.Hertz
}

// declares reports whether the type supports a carrier.
func (t Target) declares(c CarrierChoice) bool {
	return slices.ContainsFunc(t.Carriers, func(d Declared) bool {
		return strings.EqualFold(d.Band, c.Band) && slices.Contains(d.Bandwidths, c.Bandwidth) && slices.Contains(d.SCS, c.SCS)
	})
}

// Case is one test at one condition: what is measured and judged at a time.
type Case struct {
	Key       string // unique and stable: the same condition has the same key in every plan
	Position  int    // place in the run, from 1
	Clause    string
	Carrier   conformance.Carrier
	Connector int
	TestModel string
	// LessFloor asks for the noise of the analyzer to be taken out of the figures,
	// which has it swept with the transmitter muted.
	LessFloor bool
	// Carriers are all carriers of a configuration, of which Carrier is the lowest,
	// and Configuration its name in the plan. Nil and empty for a single carrier.
	Carriers      []conformance.Carrier
	Configuration string
	// Health is what a case of the transceiver health test measures, with limits of
	// the plan called Plan; nil for clauses of the standard.
	Health *conformance.Health
	Plan   string

	shape string // carriers and gaps as the key has them
}

// Subject returns what the limits of the case depend on.
func (c Case) Subject(d conformance.Declaration) conformance.Subject {
	return conformance.Subject{Declaration: d, Carrier: c.Carrier, Carriers: c.Carriers}
}

// Expand returns the cases of a plan for a radio unit type, in the order the
// package comment describes. Carriers the type does not declare are left out;
// when none is left, or a test names a connector the type does not have, the
// plan does not fit and the error says why.
func Expand(p *Plan, t Target) ([]Case, error) {
	if t.Connectors < 1 {
		return nil, fmt.Errorf("plan: radio unit type %q has %d connectors", t.Type, t.Connectors)
	}
	if err := p.checkConnectors(t); err != nil {
		return nil, err
	}
	var cases []Case
	for _, choice := range p.allCarriers() {
		if !t.declares(choice) {
			continue
		}
		for _, channel := range everyChannel() {
			carrier, err := conformance.Place(choice.Band, channel, choice.Bandwidth, choice.SCS)
			if err != nil {
				return nil, fmt.Errorf("plan: %q for radio unit type %q: %w", p.Name, t.Type, err)
			}
			cases = append(cases, p.casesAt(p.onCarrier(choice), Case{Carrier: carrier}, t)...)
		}
	}
	several, err := p.configurationCases(t)
	if err != nil {
		return nil, err
	}
	cases = append(cases, several...)
	if len(cases) == 0 {
		return nil, fmt.Errorf("plan: %q has nothing for radio unit type %q: it measures %s, the type declares %s",
			p.Name, t.Type, p.measures(), t.declared())
	}
	if t.ByHand {
		slices.SortStableFunc(cases, func(a, b Case) int { return a.Connector - b.Connector })
	}
	for i := range cases {
		cases[i].Position = i + 1
	}
	return cases, nil
}

// casesAt returns the cases of one carrier, or one configuration, in its place.
func (p *Plan) casesAt(here on, place Case, t Target) []Case {
	var cases []Case
	for _, model := range p.modelsAt(here, place.Carrier.Channel) {
		for connector := 1; connector <= t.Connectors; connector++ {
			for _, clause := range conformance.MeasuredClauses() {
				if t := p.asking(clause, here, place.Carrier.Channel, model, connector); t != nil {
					c := place
					c.Clause, c.Connector, c.TestModel, c.LessFloor = clause, connector, model, p.lessFloor(*t)
					if conformance.IsHealth(clause) {
						c.Health, c.Plan = t.Health, p.Name
					}
					c.Key = c.key()
					cases = append(cases, c)
				}
			}
		}
	}
	return cases
}

// modelsAt returns the test models used with a carrier, in the order of the plan.
func (p *Plan) modelsAt(here on, channel conformance.RFChannel) []string {
	var models []string
	for _, test := range p.Tests {
		if !here(test) || !slices.Contains(test.RFChannels, channel) {
			continue
		}
		for _, m := range test.TestModels {
			if !slices.Contains(models, m) {
				models = append(models, m)
			}
		}
	}
	return models
}

// asking returns the test that asks for a condition, nil where none does.
func (p *Plan) asking(clause string, here on, channel conformance.RFChannel, model string, connector int) *Test {
	i := slices.IndexFunc(p.Tests, func(t Test) bool {
		return t.Clause == clause &&
			here(t) &&
			slices.Contains(t.RFChannels, channel) &&
			slices.Contains(t.TestModels, model) &&
			(t.Connectors == nil || slices.Contains(t.Connectors, connector))
	})
	if i < 0 {
		return nil
	}
	return &p.Tests[i]
}

// checkConnectors refuses tests of connectors that the type does not have: to
// leave them out in silence would let a unit pass unmeasured.
func (p *Plan) checkConnectors(t Target) error {
	for _, test := range p.Tests {
		for _, n := range p.beyond(test, t) {
			return fmt.Errorf("plan: %q asks for clause %s on connector %d, radio unit type %q has connectors 1 to %d",
				p.Name, test.Clause, n, t.Type, t.Connectors)
		}
	}
	return nil
}

// beyond yields place and number of the connectors that a test asks for and a
// type does not have, on carriers that it has.
func (p *Plan) beyond(test Test, t Target) iter.Seq2[int, int] {
	return func(yield func(int, int) bool) {
		if !slices.ContainsFunc(p.carriersOf(test), t.declares) && !slices.ContainsFunc(p.configurationsOf(test), t.declaresAll) {
			return
		}
		for i, n := range test.Connectors {
			if n > t.Connectors && !yield(i, n) {
				return
			}
		}
	}
}

// key names the condition: "n78/100MHz/30kHz/B/NR-FR1-TM1.1/1/6.6.3", with
// several carriers "n78/100MHz@30kHz+60MHz+100MHz@30kHz/B/NR-FR1-TM1.1/1/6.6.3".
func (c Case) key() string {
	shape := c.shape
	if shape == "" {
		shape = squeeze(c.Carrier.Bandwidth) + "/" + squeeze(c.Carrier.SCS)
	}
	return strings.Join([]string{
		c.Carrier.Band, shape, string(c.Carrier.Channel),
		c.TestModel, fmt.Sprint(c.Connector), c.Clause,
	}, "/")
}

func (t Target) declared() string {
	var choices []CarrierChoice
	for _, d := range t.Carriers {
		for _, bw := range d.Bandwidths {
			for _, scs := range d.SCS {
				choices = append(choices, CarrierChoice{d.Band, bw, scs})
			}
		}
	}
	return list(choices)
}

// measures lists carriers and configurations of the plan.
func (p *Plan) measures() string {
	var parts []string
	if all := p.allCarriers(); len(all) > 0 || len(p.Configurations) == 0 {
		parts = append(parts, list(all))
	}
	for _, c := range p.Configurations {
		parts = append(parts, c.String())
	}
	return strings.Join(parts, ", ")
}

func list(choices []CarrierChoice) string {
	if len(choices) == 0 {
		return "nothing"
	}
	parts := make([]string, len(choices))
	for i, c := range choices {
		parts[i] = c.String()
	}
	return strings.Join(parts, ", ")
}
