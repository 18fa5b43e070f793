package lab

import (
	"bytes"
	"io/fs"
	"maps"
	"reflect"
	"slices"

	"benchyard/instruments/document"
)

// Parse reads a complete inventory. The error is document.Problems: everything
// wrong with the document, each at its line and column. A document that names
// files needs ParseIn.
func Parse(file string, data []byte) (*Lab, error) {
	l, _, err := ParseIn(nil, file, data)
	return l, err
}

// ParseIn is Parse for a document that may name files, CSV with corrections and
// YAML with dialects, relative to the directory files. It also returns the
// complete document, the same text with what the files say in place of their
// names: that is what Apply stores. Corrections in force, which only stored
// documents have, stand in place of those of the paths.
func ParseIn(files fs.FS, file string, data []byte) (l *Lab, complete []byte, err error) {
	d, l := decode(file, data)
	var others document.Problems
	complete = data
	var own map[int]*document.Document
	if d.Problems() == nil {
		complete, own, others = inline(files, d, data, l)
	}
	tables := buildTables(d, own, l)
	check(d, l)
	for _, i := range slices.Sorted(maps.Keys(own)) {
		others = append(others, own[i].Problems()...)
	}
	if problems := append(d.Problems(), others...); problems != nil {
		return nil, nil, problems
	}
	if !bytes.Equal(complete, data) {
		if err := verify(file, complete, l); err != nil {
			return nil, nil, err
		}
	}
	l.tables = tables
	l.override()
	return l, complete, nil
}

// decode reads the document and fills in the defaults; what is wrong is kept in d.
func decode(file string, data []byte) (*document.Document, *Lab) {
	var l Lab
	d := document.Read(file, data)
	d.Decode(&l)
	for i := range l.Benches {
		if l.Benches[i].IdleSupply == "" {
			l.Benches[i].IdleSupply = SupplyOff
		}
	}
	if !d.Has("correction_days") {
		l.CorrectionDays = DefaultCorrectionDays
	}
	for i := range l.Types {
		t := &l.Types[i]
		if t.TransmitUnits == 0 && !d.Has(at("radio_unit_types[%d].transmit_units", i)) {
			t.TransmitUnits = 1
		}
		if t.Category == "B" && t.CategoryBOption == 0 && !d.Has(at("radio_unit_types[%d].category_b_option", i)) {
			t.CategoryBOption = 1
		}
	}
	return d, &l
}

// verify reads the complete document again: what is stored must say what was parsed.
func verify(file string, complete []byte, l *Lab) error {
	d, again := decode(file, complete)
	if d.Problems() == nil && reflect.DeepEqual(l, again) {
		return nil
	}
	return document.Problems{{File: file, Message: oneLine}}
}
