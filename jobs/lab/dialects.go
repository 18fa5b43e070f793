package lab

import (
	"encoding/json"
	"fmt"
	"slices"

	"benchyard/instruments/dialect"
	"benchyard/instruments/document"
)

// Table returns the dialect of that name for a role: one of the lab's own, or
// the standard one for no name.
func (l *Lab) Table(role, name string) (*dialect.Table, error) {
	if name == "" || name == dialect.StandardName {
		if t := dialect.Standard(role); t != nil {
			return t, nil
		}
		return nil, fmt.Errorf("lab: there is no dialect for a %s", role)
	}
	if l.dialectFault != nil {
		return nil, fmt.Errorf("lab: the dialects of %s cannot be read any more; correct them and apply the inventory again: %w", l.Name, l.dialectFault)
	}
	t, ok := find(l.tables, func(t *dialect.Table) bool { return t.Name == name })
	if !ok || t.Role != role {
		return nil, fmt.Errorf("lab: there is no dialect %q for a %s; add it under dialects", name, role)
	}
	return t, nil
}

// Gates returns nil where the analyzer of a bench can open its sweep within a window
// after a trigger, by the word of its dialect, and otherwise why it cannot and what to
// do. TDD carriers cannot be measured without.
func (l *Lab) Gates(b Bench) error {
	i, ok := l.Instrument(b.Analyzer)
	if !ok {
		return fmt.Errorf("bench %s has no analyzer", b.Name)
	}
	t, err := l.Table(AnalyzerRole, i.Dialect)
	if err != nil {
		return err
	}
	if t.Has("gate_on") {
		return nil
	}
	return fmt.Errorf("the dialect %s of %s has no gated sweep (gate_on), without which no TDD carrier can be measured; "+
		"give it gate_on, use a bench whose analyzer has it, or leave TDD bands out", t.Name, i.Name)
}

// buildTables completes the dialects of an inventory that stands in d. A table
// that came from a file has a document of its own.
func buildTables(d *document.Document, own map[int]*document.Document, l *Lab) []*dialect.Table {
	var list []dialect.Placed
	for i, s := range l.Dialects {
		switch {
		case own[i] != nil:
			list = append(list, dialect.Placed{Document: own[i], Source: s})
		case s.File == "": // a file that could not be read was reported already
			list = append(list, dialect.Placed{Document: d, Path: at("dialects[%d]", i), Source: s})
		}
	}
	return dialect.Check(list)
}

// restoreTables completes the dialects of a stored inventory. What was accepted
// once stays readable; a table that later checks refuse is an error when it is
// needed.
func (l *Lab) restoreTables(file string) error {
	if len(l.Dialects) == 0 {
		return nil
	}
	text, err := json.Marshal(map[string]any{"dialects": plainSources(l.Dialects)})
	if err != nil {
		return err
	}
	d := document.Read(file, text) // JSON is YAML
	l.tables = buildTables(d, nil, l)
	l.dialectFault = d.Problems().Err()
	return nil
}

// dialect checks a reference to a table.
func (c *checker) dialect(path, role, name string) {
	if !c.Has(path) || name == dialect.StandardName {
		return
	}
	names := []string{dialect.StandardName}
	for _, s := range c.lab.Dialects {
		if s.File != "" {
			return // it may be this one, which nobody could read
		}
		if s.Name != "" && !slices.Contains(names, s.Name) {
			names = append(names, s.Name)
		}
	}
	i := slices.IndexFunc(c.lab.Dialects, func(s dialect.Source) bool { return s.Name == name })
	if i < 0 {
		c.OneOf(path, "dialect", name, names...)
	} else if of := c.lab.Dialects[i].Role; of != role {
		c.Report(path, "dialect %q is one of role %q; this one has the role %q", name, of, role)
	}
}
