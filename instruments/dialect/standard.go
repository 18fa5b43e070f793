package dialect

import (
	"embed"
	"fmt"
	"strings"
	"sync"

	"benchyard/instruments/document"
)

// The tables of the standard: SCPI-1999 vol. 2 and 4, with the usual spellings
// where it has none, and the project's own words for radio units.
//
//go:embed standard/*.yaml
var standard embed.FS

// StandardText returns the built-in table of a role as it is written: a pattern
// for tables of one's own. Nil for a role there is none of.
func StandardText(role string) []byte {
	text, err := standard.ReadFile(fileOf(role))
	if err != nil {
		return nil
	}
	return text
}

func fileOf(role string) string { return "standard/" + strings.ReplaceAll(role, " ", "-") + ".yaml" }

// Standard returns the built-in table of a role, nil for a role there is none
// of. It is read by the parser of every other table, once. Callers share it and
// leave it as it is.
func Standard(role string) *Table {
	standards.read.Do(func() {
		standards.tables = map[string]*Table{}
		for _, role := range Roles() {
			standards.tables[role] = readStandard(role)
		}
	})
	return standards.tables[role]
}

var standards struct {
	read   sync.Once
	tables map[string]*Table
}

func readStandard(role string) *Table {
	name := fileOf(role)
	data, err := standard.ReadFile(name)
	var s Source
	d := document.Read(name, data)
	d.Decode(&s)
	s.Name = StandardName
	t := build(Placed{Document: d, Source: s}, nil, map[string]*Table{})
	if problems := d.Problems(); err != nil || problems != nil {
		panic(fmt.Sprintf("dialect: the built-in table of a %s: %v %v", role, err, problems))
	}
	return t
}
