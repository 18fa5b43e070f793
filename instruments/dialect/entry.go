package dialect

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/scpi"
)

// entry checks one entry and fills in what its capability has as default.
func (c *checker) entry(capability Capability, s SourceEntry) Entry {
	path := "commands." + capability.Name
	e := Entry{
		Set: s.Set, Ask: s.Ask, Unit: s.Unit, Bit: -1, On: s.On, Off: s.Off, Unsupported: s.Unsupported,
		Type: cmp.Or(s.Type, capability.Answer), Encoding: cmp.Or(s.Encoding, Real32),
		Timeout: cmp.Or(s.Timeout, capability.Timeout), Overlapped: capability.Overlapped,
		params: capability.Params, quantity: capability.Quantity, changes: capability.Changes,
	}
	if s.Overlapped != nil {
		e.Overlapped = *s.Overlapped
	}
	if s.Bit != nil {
		e.Bit = *s.Bit
	}
	if s.Unsupported {
		c.unsupported(path, capability, s)
		return e
	}
	c.answer(path, capability, s)
	c.unit(path, capability, s)
	if s.Timeout != "" {
		c.OneOf(c.at(path+".timeout"), "class of timeouts", string(s.Timeout), classes()...)
	}
	c.cut(path, capability, s, &e)
	c.sets(path, capability, &e)
	c.query(path, capability, &e)
	return e
}

// unsupported checks an entry that takes a capability away.
func (c *checker) unsupported(path string, capability Capability, s SourceEntry) {
	if len(s.Set) > 0 || s.Ask != "" {
		c.Report(c.at(path+".unsupported"), "%s has commands and is unsupported; want one of the two", capability.Name)
	}
	if capability.Required {
		c.Report(c.at(path+".unsupported"), "%s cannot do without %s", article(c.table.Role), capability.Name)
	}
}

// answer checks the shape of the answer.
func (c *checker) answer(path string, capability Capability, s SourceEntry) {
	if s.Type != "" {
		c.OneOf(c.at(path+".type"), "type for "+capability.Name, string(s.Type), answers(capability.Answer)...)
	}
	if s.Encoding != "" {
		c.OneOf(c.at(path+".encoding"), "encoding", string(s.Encoding),
			string(Real32), string(Real64), string(Real32Swapped), string(Real64Swapped))
	}
	if s.Bit != nil && (capability.Answer != Boolean || *s.Bit < 0 || *s.Bit > maxBit) {
		c.Report(c.at(path+".bit"), "bit %d: want 0 to %d, of an answer that is yes or no", *s.Bit, maxBit)
	}
	if len(s.On)+len(s.Off) > 0 && capability.Answer != Boolean {
		c.Report(c.at(path), "on and off are words for an answer that is yes or no; %s has none", capability.Name)
	}
	for _, w := range s.On {
		if slices.ContainsFunc(s.Off, func(o string) bool { return strings.EqualFold(o, w) }) {
			c.Report(c.at(path+".off"), "%q means both on and off", w)
		}
	}
}

// answers lists the shapes in which an instrument may give what a capability
// wants to know.
func answers(want Type) []string {
	switch want {
	case Block:
		return []string{string(Block), string(CSV)}
	case Word, Text:
		return []string{string(Word), string(Text)}
	}
	return []string{string(want)}
}

func (c *checker) unit(path string, capability Capability, s SourceEntry) {
	if s.Unit == "" {
		return
	}
	row, known := rowOf(s.Unit)
	switch {
	case capability.Quantity == "":
		c.Report(c.at(path+".unit"), "unit %q: %s has no numbers with a unit", s.Unit, capability.Name)
	case !known || row.quantity != capability.Quantity:
		c.Report(c.at(path+".unit"), "unit %q is none of %s; want one of: %s", s.Unit, capability.Quantity, unitsOf(capability.Quantity))
	}
}

// sets checks the commands.
func (c *checker) sets(path string, capability Capability, e *Entry) {
	if !capability.Tells {
		if len(e.Set) > 0 {
			c.Report(c.at(path+".set"), "%s is only asked; want no commands", capability.Name)
		}
		return
	}
	if len(e.Set) == 0 {
		c.Report(c.at(path), "%s needs set, the commands for it; an entry replaces all of the one it inherits", capability.Name)
		return
	}
	for i, text := range e.Set {
		where := c.at(fmt.Sprintf("%s.set[%d]", path, i))
		if !c.Has(where) {
			where = c.at(path + ".set")
		}
		t, err := parseTemplate(text, capability.Params)
		if err == nil && c.table.Control != Shell {
			err = wellFormed(text, t, capability.Params, false)
		}
		if err != nil {
			c.Report(where, "%v", err)
			return
		}
		e.set = append(e.set, t)
	}
	for _, p := range capability.Params {
		used := slices.ContainsFunc(e.set, func(t template) bool { return t.uses(p.Name) })
		if !used && !p.Optional {
			c.Report(c.at(path+".set"), "no command of %s holds {%s}; the value would be lost", capability.Name, p.Name)
		}
	}
}

// query checks the query.
func (c *checker) query(path string, capability Capability, e *Entry) {
	if capability.Answer == None {
		if e.Ask != "" {
			c.Report(c.at(path+".ask"), "%s is only told; want no query", capability.Name)
		}
		return
	}
	if e.Ask == "" {
		if !capability.May {
			c.Report(c.at(path), "%s needs ask, the query for it; an entry replaces all of the one it inherits", capability.Name)
		}
		return
	}
	keys := slices.DeleteFunc(slices.Clone(capability.Params), func(p Param) bool { return !p.Key })
	t, err := parseTemplate(e.Ask, keys)
	if err == nil && c.table.Control != Shell {
		err = wellFormed(e.Ask, t, capability.Params, true)
	}
	if err != nil {
		c.Report(c.at(path+".ask"), "%v", err)
		return
	}
	for _, p := range keys {
		if !p.Optional && !t.uses(p.Name) {
			c.Report(c.at(path+".ask"), "the query of %s does not hold {%s}", capability.Name, p.Name)
		}
	}
	e.ask = t
}

// wellFormed says what keeps a template from being one SCPI unit, a query or a
// command, whatever it is filled in with.
func wellFormed(text string, t template, params []Param, query bool) error {
	units, err := scpi.ParseMessage([]byte(t.sample(params)))
	switch {
	case err != nil:
		return fmt.Errorf("%q is no SCPI command: %w", text, err)
	case len(units) != 1:
		return fmt.Errorf("%q is %d commands; want one", text, len(units))
	case query && !units[0].Query:
		return fmt.Errorf("%q is no query; want a header that ends with ?", text)
	case !query && units[0].Query:
		return fmt.Errorf("%q is a query; want a command", text)
	}
	return nil
}
