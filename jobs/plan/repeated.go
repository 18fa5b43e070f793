package plan

import "benchyard/jobs/conformance"

// condition is what makes two cases the same, with connector 0 for all.
type condition struct {
	clause    string
	carrier   CarrierChoice
	several   string // name of a configuration instead of a carrier
	channel   conformance.RFChannel
	model     string
	connector int
}

// repeated reports tests that ask again for what an earlier one asks already:
// each case is measured, stored and counted once.
func (c *checker) repeated() {
	asked := map[condition]int{} // first test that asks for it
	for i, t := range c.plan.Tests {
		for _, want := range c.plan.conditions(t) {
			first, again := overlap(asked, want)
			if !again || first == i {
				asked[want] = i
				continue
			}
			line, _ := c.Position(at("tests[%d]", first))
			c.Report(at("tests[%d]", i), "clause %s on %s, RF channel %s, %s is asked for already by the test on line %d",
				want.clause, want.place(), want.channel, want.model, line)
			break
		}
	}
}

// overlap looks for the same condition, on the same connector or on all.
func overlap(asked map[condition]int, want condition) (first int, again bool) {
	for _, connector := range connectorsLike(want.connector) {
		want.connector = connector
		if first, again = asked[want]; again {
			return first, true
		}
	}
	return 0, false
}

func connectorsLike(connector int) []int {
	if connector != 0 {
		return []int{connector, 0}
	}
	all := make([]int, maxConnectors+1)
	for i := range all {
		all[i] = i
	}
	return all
}

func (p *Plan) conditions(t Test) []condition {
	connectors := t.Connectors
	if connectors == nil {
		connectors = Connectors{0}
	}
	var places []condition
	for _, carrier := range p.carriersOf(t) {
		places = append(places, condition{carrier: carrier})
	}
	for _, c := range p.configurationsOf(t) {
		places = append(places, condition{several: c.Name})
	}
	var list []condition
	for _, place := range places {
		for _, channel := range t.RFChannels {
			for _, model := range t.TestModels {
				for _, connector := range connectors {
					list = append(list, condition{t.Clause, place.carrier, place.several, channel, model, connector})
				}
			}
		}
	}
	return list
}

func (c condition) place() string {
	if c.several != "" {
		return "configuration " + c.several
	}
	return c.carrier.String()
}
