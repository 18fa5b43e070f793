// Package document reads strict YAML. A document that people write by hand
// (the inventory of a lab, a test plan) is either understood whole, or it is
// refused with every problem it has, each at its file, line and column.
//
// The concept on one screen:
//
//	d := document.Read("lab.yaml", data)  bytes -> nodes with positions
//	d.Decode(&lab)                        nodes -> Go values, strictly
//	d.Report("units[2].slot", "...")      what the caller's own checks find
//	d.Problems()                          all of it, in the order of the file
//
// Strict means: no unknown key, no key given twice, no value of another type,
// no key left out that a field tagged `document:"required"` asks for. Go field
// names become keys in snake_case unless a yaml tag says otherwise. A type that
// has UnmarshalYAML(func(any) error) and asks for a string, or
// UnmarshalText([]byte), reads its own scalars: so quantities with units come
// in. A slice type with one of them takes either its own word ("all") or a list,
// a struct type either its own word or a mapping. A map takes any keys: what
// they may be is for the caller to check.
//
// One document is plain data: anchors, aliases, tags, directives and a second
// document in the same file are refused, which also makes the cost of reading
// bounded by the size of the input.
//
// Places inside a document are named by paths such as "tests[2].bandwidths[0]";
// the empty path is the whole document.
package document

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// MaxSize is the largest document in bytes that is read at all.
const MaxSize = 32 << 20

// maxShown bounds how many problems one error text lists.
const maxShown = 100

// Problem is one thing wrong with a document and where it stands. Line and
// Column count from 1, columns in characters; zero means the whole file.
type Problem struct {
	File         string
	Line, Column int
	Message      string
}

// String returns "file:line:column: message", which editors can jump to.
func (p Problem) String() string {
	if p.Line == 0 {
		return fmt.Sprintf("%s: %s", p.File, p.Message)
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Message)
}

// Problems is everything wrong with a document, in the order of the file.
type Problems []Problem

// Error lists the problems, one on a line.
func (ps Problems) Error() string {
	lines := make([]string, 0, min(len(ps), maxShown)+1)
	for _, p := range ps[:min(len(ps), maxShown)] {
		lines = append(lines, p.String())
	}
	if more := len(ps) - maxShown; more > 0 {
		lines = append(lines, fmt.Sprintf("and %d more problems", more))
	}
	return strings.Join(lines, "\n")
}

// Err returns the problems as an error, or nil when there are none.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}

// Document is a document that was read, with the position of every node and
// the problems found so far.
type Document struct {
	file     string
	root     *node
	places   map[string]place
	problems Problems
	lost     map[string]bool // paths whose value could not be had
	above    map[string]bool // paths that contain a lost one
}

// place is where a node stands: its value and, inside a mapping, its key.
type place struct{ value, key position }

type position struct{ line, column int }

// Read parses the bytes. It never fails: what is wrong is among Problems, and
// a document that could not be parsed decodes to nothing without adding more.
// The file name is only used in problems.
func Read(file string, data []byte) *Document {
	d := &Document{
		file:   file,
		places: map[string]place{"": {value: position{1, 1}}},
		lost:   map[string]bool{},
		above:  map[string]bool{},
	}
	root, fault := parse(data)
	if fault != nil {
		d.lose("", fault.position, fault.message)
		return d
	}
	d.root = root
	d.index("", root, position{})
	return d
}

// Decode reads a whole document into dst, a pointer to a struct, and returns
// its problems; none means that dst holds everything the document says.
func Decode(file string, data []byte, dst any) Problems {
	d := Read(file, data)
	d.Decode(dst)
	return d.Problems()
}

// Has reports whether the document has a value at the path.
func (d *Document) Has(path string) bool {
	_, ok := d.places[path]
	return ok && d.root != nil
}

// Position returns line and column, from 1, of the value at the path, or of
// the nearest value around it when the document has none there.
func (d *Document) Position(path string) (line, column int) {
	at := d.near(path).value
	return at.line, at.column
}

// Report adds a problem at the value of the path. It stays silent where
// decoding has already lost the value, a part of it, or something around it:
// one mistake gives one message.
func (d *Document) Report(path, format string, args ...any) {
	d.report(path, d.near(path).value, format, args...)
}

// ReportKey is Report at the key instead of at the value.
func (d *Document) ReportKey(path, format string, args ...any) {
	at := d.near(path)
	if at.key.line == 0 {
		at.key = at.value
	}
	d.report(path, at.key, format, args...)
}

// Problems returns everything found so far in the order of the file, nil when
// there is nothing wrong.
func (d *Document) Problems() Problems {
	sorted := slices.Clone(d.problems)
	slices.SortStableFunc(sorted, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return sorted
}

func (d *Document) report(path string, at position, format string, args ...any) {
	if d.above[path] || d.isLost(path) {
		return
	}
	d.add(at, fmt.Sprintf(format, args...))
}

func (d *Document) add(at position, message string) {
	d.problems = append(d.problems, Problem{d.file, at.line, at.column, message})
}

// lose records a problem that leaves the path without a value.
func (d *Document) lose(path string, at position, message string) {
	d.add(at, message)
	d.mark(path)
}

// mark notes that the path has no value to check.
func (d *Document) mark(path string) {
	d.lost[path] = true
	for up, ok := parent(path); ok; up, ok = parent(up) {
		d.above[up] = true
	}
}

func (d *Document) isLost(path string) bool {
	for p, ok := path, true; ok; p, ok = parent(p) {
		if d.lost[p] {
			return true
		}
	}
	return false
}

func (d *Document) near(path string) place {
	for p, ok := path, true; ok; p, ok = parent(p) {
		if at, found := d.places[p]; found {
			return at
		}
	}
	return place{}
}

func (d *Document) index(path string, n *node, key position) {
	d.places[path] = place{n.position, key}
	for i := range n.entries {
		e := &n.entries[i]
		if p := join(path, e.key); !d.Has(p) {
			d.index(p, e.value, e.position)
		}
	}
	for i, item := range n.items {
		d.index(fmt.Sprintf("%s[%d]", path, i), item, position{})
	}
}

// join names a key inside the mapping at path.
func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// parent returns the path one step up; false for the whole document.
func parent(path string) (string, bool) {
	if path == "" {
		return "", false
	}
	return path[:max(strings.LastIndexAny(path, ".["), 0)], true
}
