package dialect

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"benchyard/instruments/document"
)

// What instruments can take at once lies between these, in bytes.
const (
	leastBuffer = 64
	mostBuffer  = 1 << 20
)

// maxTables bounds the tables of one lab; each is completed on its own.
const maxTables = 200

// maxBit is the highest bit of a status register that may be named.
const maxBit = 31

// namePattern is what tables may be called.
var namePattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._+-]{0,63}$`)

// Placed is a table as written and where it stands in its document.
type Placed struct {
	Document *document.Document
	Path     string
	Source   Source
}

// checker turns one source into a table and reports what is wrong with it.
type checker struct {
	*document.Document
	path  string
	role  role
	table *Table
	base  *Table // what it inherits, nil for nothing
}

// Check turns tables as written into complete ones, in their order, and reports
// what is wrong with each in its document. They may inherit from the standard
// table of their role, from one another in any order, and from others. Where
// there is anything to report the tables are not to be used, and some may be
// missing.
func Check(list []Placed, others ...*Table) []*Table {
	if len(list) > maxTables {
		list[maxTables].Document.Report(list[maxTables].Path, "more than %d dialects", maxTables)
		list = list[:maxTables]
	}
	done := map[string]*Table{}
	for _, t := range others {
		done[t.Name] = t
	}
	seen := map[string]bool{}
	for _, p := range list {
		name := p.Source.Name
		switch {
		case name == StandardName:
			p.Document.Report(join(p.Path, "name"), "%q is the built-in dialect; choose another name", name)
		case seen[name] && name != "":
			p.Document.Report(join(p.Path, "name"), "there are two dialects %q", name)
		}
		seen[name] = true
		if !namePattern.MatchString(name) {
			p.Document.Report(join(p.Path, "name"), "dialect %q: want letters, digits and . _ + -, at most 64, beginning with a letter or digit", name)
		}
	}
	tables := make([]*Table, len(list))
	for range list { // each round completes those whose base is complete
		for i, p := range list {
			if tables[i] == nil {
				tables[i] = build(p, list, done)
			}
		}
	}
	for i, p := range list {
		if tables[i] == nil {
			p.Document.Report(join(p.Path, "inherits"), "dialect %q inherits from %q, which inherits from it or waits for itself", p.Source.Name, p.Source.Inherits)
			tables[i] = &Table{Name: p.Source.Name, Role: p.Source.Role}
		}
	}
	return tables
}

// build makes one table; nil when what it inherits is not complete yet.
func build(p Placed, list []Placed, done map[string]*Table) *Table {
	s := p.Source
	t := &Table{
		Name: s.Name, Role: s.Role, Inherits: s.Inherits, Control: s.Control, Session: s.Session,
		Commands: map[string]Entry{}, Limits: map[string]float64{}, Timeouts: map[TimeoutClass]time.Duration{},
	}
	c := &checker{Document: p.Document, path: p.Path, table: t}
	if !c.OneOf(c.at("role"), "role", s.Role, Roles()...) {
		done[s.Name] = t // so that those that inherit from it do not wait
		return t
	}
	c.role, _ = roleOf(s.Role)
	if s.Inherits != "" {
		waits := slices.ContainsFunc(list, func(o Placed) bool { return o.Source.Name == s.Inherits })
		if c.base = baseOf(s, done); c.base == nil && waits {
			return nil
		}
	}
	if s.Name != "" && done[s.Name] == nil {
		done[s.Name] = t
	}
	c.head(s, done)
	c.inherit(s)
	c.commandLine(s)
	c.commands(s)
	return t
}

// baseOf returns what a source inherits, nil when that is not there.
func baseOf(s Source, done map[string]*Table) *Table {
	if s.Inherits == StandardName {
		return Standard(s.Role)
	}
	return done[s.Inherits]
}

// head checks what stands before the commands.
func (c *checker) head(s Source, done map[string]*Table) {
	if s.Inherits != "" && c.base == nil {
		names := append([]string{StandardName}, slices.Sorted(maps.Keys(done))...)
		c.OneOf(c.at("inherits"), "dialect", s.Inherits, slices.DeleteFunc(names, func(n string) bool { return n == s.Name })...)
	} else if c.base != nil && c.base.Role != s.Role {
		c.Report(c.at("inherits"), "dialect %q is one of %s; this one is of %s", s.Inherits, article(c.base.Role), article(s.Role))
		c.base = nil
	}
	if s.Control != "" && c.OneOf(c.at("control"), "control", s.Control, SCPI, Shell) && s.Control == Shell && !c.role.shell {
		c.Report(c.at("control"), "%s is controlled by SCPI only", article(s.Role))
		c.table.Control = SCPI
	}
	if s.Session.Terminator != "" {
		c.OneOf(c.at("session.terminator"), "terminator", s.Session.Terminator, "LF", "CRLF", "CR")
	}
	if s.Session.Sequential && s.Session.Overlapped {
		c.Report(c.at("session.hislip_overlapped"), "sequential says that messages sent early are lost, hislip_overlapped that they are not; want one of them")
	}
	for key, n := range map[string]int{"max_message": s.Session.MaxMessage, "input_buffer": s.Session.InputBuffer} {
		if where := c.at("session." + key); c.Has(where) && (n < leastBuffer || n > mostBuffer) {
			c.Report(where, "%s %d: want %d to %d bytes", key, n, leastBuffer, mostBuffer)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Limits)) {
		if c.oneOf("limits."+name, "limit of "+article(s.Role), name, c.role.limits) && !(s.Limits[name] > 0) {
			c.Report(c.at("limits."+name), "%s %g: want a number above zero", name, s.Limits[name])
		}
	}
	for _, class := range slices.Sorted(maps.Keys(s.Timeouts)) {
		if c.oneOf("timeouts."+string(class), "class of timeouts", string(class), classes()) && !(s.Timeouts[class] > 0 && s.Timeouts[class] <= Duration(time.Hour)) {
			c.Report(c.at("timeouts."+string(class)), "timeout %v: want above 0s and at most 1h", time.Duration(s.Timeouts[class]))
		}
	}
}

func classes() []string {
	return []string{string(Quick), string(Settle), string(Sweep), string(Calibration), string(Preset), string(Load)}
}

// inherit lays the table over its base.
func (c *checker) inherit(s Source) {
	t := c.table
	if b := c.base; b != nil {
		maps.Copy(t.Commands, b.Commands)
		maps.Copy(t.Limits, b.Limits)
		maps.Copy(t.Timeouts, b.Timeouts)
		if s.Control == "" {
			t.Control = b.Control
		}
		if !c.Has(c.at("session")) {
			t.Session = b.Session
		}
	}
	if t.Control == "" {
		t.Control = SCPI
	}
	maps.Copy(t.Limits, s.Limits)
	for class, d := range s.Timeouts {
		t.Timeouts[class] = time.Duration(d)
	}
}

// commands checks the entries and that none is missing.
func (c *checker) commands(s Source) {
	var names, missing []string
	for _, capability := range c.role.capabilities {
		names = append(names, capability.Name)
		e, given := s.Commands[capability.Name]
		if given {
			c.table.Commands[capability.Name] = c.entry(capability, e)
		} else if _, ok := c.table.Commands[capability.Name]; !ok {
			if capability.Required {
				missing = append(missing, capability.Name)
			}
			c.table.Commands[capability.Name] = Entry{Unsupported: true, Type: capability.Answer, Timeout: capability.Timeout, Bit: -1}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Commands)) {
		c.oneOf("commands."+name, "capability of "+article(s.Role), name, names)
	}
	// A base that was refused has its own message.
	if len(missing) > 0 && (s.Inherits == "" || c.base != nil) {
		c.Report(c.at("commands"), "%s cannot do without %s; inherit: %s has all of them", article(s.Role), strings.Join(missing, ", "), StandardName)
	}
	for _, name := range c.role.limits {
		_, ok := c.table.Limits[name]
		if usual := c.role.usual[name]; !ok && usual > 0 {
			c.table.Limits[name] = usual
		} else if !ok && s.Inherits == "" {
			c.Report(c.at("limits"), "missing limit %q; every dialect of %s needs it", name, article(s.Role))
		}
	}
}

// oneOf reports a key unless it is one of the known words.
func (c *checker) oneOf(path, noun, key string, known []string) bool {
	if slices.Contains(known, key) {
		return true
	}
	near, ok := document.Nearest(key, known)
	switch {
	case len(known) == 0:
		c.ReportKey(c.at(path), "unknown %s %q; there is none", noun, key)
	case ok:
		c.ReportKey(c.at(path), "unknown %s %q; did you mean %q?", noun, key, near)
	default:
		c.ReportKey(c.at(path), "unknown %s %q; want one of: %s", noun, key, strings.Join(known, ", "))
	}
	return false
}

// article puts "a" or "an" before a role.
func article(role string) string {
	if strings.HasPrefix(role, "a") {
		return "an " + role
	}
	return "a " + role
}

// at names a place in the table.
func (c *checker) at(path string) string { return join(c.path, path) }

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
