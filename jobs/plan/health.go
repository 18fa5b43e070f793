package plan

import (
	"benchyard/jobs/conformance"
)

// health checks what tests of the transceiver health test say of themselves, and
// that no others do. A test without it has no limits, and is refused for that.
func (c *checker) health() {
	for i := range c.plan.Tests {
		t, path := &c.plan.Tests[i], at("tests[%d]", i)
		if !conformance.IsHealth(t.Clause) {
			if t.Health != nil {
				c.Report(path+".health", "clause %s has its limits from the standard; health belongs to the transceiver health test: %s", t.Clause, join(conformance.HealthClauses()))
			}
			continue
		}
		if t.Health == nil {
			if !c.Has(path + ".health") {
				c.Report(path, "%s needs health: what to measure, and the limits that hold", t.Clause)
			}
			continue
		}
		for _, p := range t.Health.Check(t.Clause) {
			where := path + ".health"
			if p.Key != "" && c.Has(where+"."+p.Key) {
				where += "." + p.Key
			}
			c.Report(where, "%s", p.Text)
		}
		c.tone(path, *t)
	}
}

// tone checks the offset of a tone on every carrier that the test is made on.
func (c *checker) tone(path string, t Test) {
	for _, choice := range c.plan.carriersOf(t) {
		if err := t.Health.CheckTone(t.Clause, choice.Bandwidth); err != nil {
			where := path + ".health.offset"
			if !c.Has(where) {
				where = path
			}
			c.Report(where, "%s", err)
			return
		}
	}
}
