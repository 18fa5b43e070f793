package lab

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
)

// ApprovedCorrection is a correction in force: somebody measured or imported it,
// somebody else approved it, and it stands in place of the correction that the
// inventory file gives the path. It names what it was made for, so that a change
// of the path shows.
type ApprovedCorrection struct {
	Bench     string `document:"required"`
	Slot      int    `document:"required"`
	Connector int    `document:"required"`
	// Elements are those of the path when it was measured, or last checked; empty:
	// they had no names then.
	Elements []string
	ID       string `yaml:"id" document:"required"` // of the proposal that was approved
	// Analyzer is the instrument behind the path when it was measured as a whole:
	// the level error and the input mismatch of that one are in the losses and in
	// their uncertainty, and are not added again. Empty: the path alone.
	Analyzer   string
	MeasuredBy string        `document:"required"`
	ApprovedBy string        `document:"required"`
	ValidUntil Date          `document:"required"` // last day it is good
	Correction rf.Correction `document:"required"`
}

// DefaultCorrectionDays is how long an approved correction is good where the
// inventory does not say.
const DefaultCorrectionDays = 365

// marker is the line above the corrections in a stored inventory.
const marker = "# Corrections in force, kept by benchyard. Not to be written by hand."

// For reports whether the correction is that of a path.
func (c ApprovedCorrection) For(p Path) bool {
	return c.Bench == p.Bench && c.Slot == p.Slot && c.Connector == p.Connector
}

// Stale says what of the path is not as it was when its approved correction was
// measured, and what to do; empty: nothing, or the correction is that of the file.
func (l *Lab) Stale(p Path) string {
	c := p.Approved
	if c == nil {
		return ""
	}
	if why := Changed(c.Elements, p.Elements); why != "" {
		remedy := "measure or check the path, or import a new correction, and have it approved"
		if c.OfFile() {
			remedy += "; or give the inventory its new correction, or another valid_until where the elements were renamed only"
		}
		return fmt.Sprintf("the correction of %s %s does not hold any more: %s; %s", p.Bench, p.place(), why, remedy)
	}
	if b, ok := l.Bench(p.Bench); ok && c.Analyzer != "" && b.Analyzer != c.Analyzer {
		return fmt.Sprintf("the correction of %s %s was measured with the analyzer %s, the bench has %s now; measure the path again and have it approved",
			p.Bench, p.place(), c.Analyzer, b.Analyzer)
	}
	return ""
}

// Changed says in which elements a path differs from what it was; empty: in
// none. Their order does not matter, and naming them for the first time is no
// change.
func Changed(was, is []string) string {
	if len(was) == 0 {
		return ""
	}
	var changes []string
	for _, e := range was {
		if !slices.Contains(is, e) {
			changes = append(changes, e+" is gone")
		}
	}
	for _, e := range is {
		if !slices.Contains(was, e) {
			changes = append(changes, e+" is new")
		}
	}
	return strings.Join(changes, ", ")
}

// override puts the corrections in force in the place of those of the paths.
func (l *Lab) override() {
	for i := range l.Paths {
		p := &l.Paths[i]
		for n := range l.Corrections {
			if c := &l.Corrections[n]; c.For(*p) {
				p.Approved, p.Correction, p.ValidUntil = c, c.Correction, c.ValidUntil
			}
		}
	}
}

// CheckOwn refuses a document that was written by a person and holds what only
// this program writes: corrections in force. The error is document.Problems.
func CheckOwn(file string, data []byte) error {
	d := document.Read(file, data)
	const what = "corrections in force are kept by the program and not written by hand; take the block out, what is in force stays. " +
		"A new correction comes with: benchyard path import"
	if d.Has("corrections") {
		d.ReportKey("corrections", what)
		return d.Problems().Err()
	}
	for i, line := range strings.Split(string(data), "\n") {
		if strings.TrimSpace(line) == marker {
			return document.Problems{{File: file, Line: i + 1, Column: 1, Message: what}}
		}
	}
	return nil
}

// withCorrections returns the document with these corrections in force at its end.
func withCorrections(data []byte, list []ApprovedCorrection) []byte {
	if i := bytes.LastIndex(data, []byte("\n"+marker+"\n")); i >= 0 {
		data = data[:i+1]
	}
	if len(list) == 0 {
		return data
	}
	var b bytes.Buffer
	b.Write(data)
	if !bytes.HasSuffix(data, []byte("\n")) {
		b.WriteByte('\n')
	}
	b.WriteString(marker + "\ncorrections:\n")
	for _, c := range list {
		fmt.Fprintf(&b, "  - {bench: %s, slot: %d, connector: %d, id: %s, ", quoted(c.Bench), c.Slot, c.Connector, quoted(c.ID))
		if len(c.Elements) > 0 {
			names := make([]string, len(c.Elements))
			for i, e := range c.Elements {
				names[i] = quoted(e)
			}
			fmt.Fprintf(&b, "elements: [%s], ", strings.Join(names, ", "))
		}
		if c.Analyzer != "" {
			fmt.Fprintf(&b, "analyzer: %s, ", quoted(c.Analyzer))
		}
		fmt.Fprintf(&b, "measured_by: %s, approved_by: %s, valid_until: %s,\n     correction: %s}\n",
			quoted(c.MeasuredBy), quoted(c.ApprovedBy), c.ValidUntil, written(c.Correction, "       "))
	}
	return b.Bytes()
}

// quoted writes text as JSON, which strict YAML reads.
func quoted(text string) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(text); err != nil {
		panic(fmt.Sprintf("lab: writing %q: %v", text, err)) // a string always encodes
	}
	return strings.TrimSpace(b.String())
}

// kept returns the corrections in force of an older version that stay with this
// one, which has those of its file in its paths: the approved ones of paths that are
// still there, and those of the file that no longer hold, unless the file has another
// correction now or the old elements are back.
func (l *Lab) kept(before []ApprovedCorrection) []ApprovedCorrection {
	var list []ApprovedCorrection
	for _, c := range before {
		p, ok := find(l.Paths, c.For)
		if ok && (!c.OfFile() || sameCorrection(p, c.Correction, c.ValidUntil) && Changed(c.Elements, p.Elements) != "") {
			list = append(list, c)
		}
	}
	return list
}

// exchanged returns the corrections of the file that no longer hold: the path is made
// of other elements than in the version before, and has the same correction all the
// same. Kept among those in force, they show until the path is measured or checked.
func (l *Lab) exchanged(before *Lab, version int64, by string) []ApprovedCorrection {
	var list []ApprovedCorrection
	for _, p := range l.Paths {
		was, ok := before.PathFor(p.Bench, p.Slot, p.Connector)
		if ok && was.Approved == nil && Changed(was.Elements, p.Elements) != "" && sameCorrection(p, was.Correction, was.ValidUntil) {
			list = append(list, ApprovedCorrection{
				Bench: p.Bench, Slot: p.Slot, Connector: p.Connector, Elements: was.Elements, ID: fmt.Sprintf("%s%d", ofFile, version),
				MeasuredBy: "the inventory", ApprovedBy: by, ValidUntil: p.ValidUntil, Correction: p.Correction,
			})
		}
	}
	return list
}

// ofFile begins the ID of a correction that nobody approved: it was that of the file
// in a version, until the elements of its path changed.
const ofFile = "file of version "

// OfFile reports whether the correction is that of the inventory file, kept beside
// the elements that it was made for.
func (c ApprovedCorrection) OfFile() bool { return strings.HasPrefix(c.ID, ofFile) }

func sameCorrection(p Path, rows rf.Correction, until Date) bool {
	return slices.Equal(p.Correction, rows) && p.ValidUntil == until
}
