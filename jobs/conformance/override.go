package conformance

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
)

// labFile is a file that a laboratory lays over a limit set:
//
//	limits: north-lab/3              # its name and version, part of every result
//	base: ts-38.141-1/2026-11        # the set it was written for
//	tolerances:
//	  - {clause: "6.2", figure: output power, up_to: 3GHz, value: 0.5, source: "budget 17"}
//	cores:
//	  - {clause: "6.5.3", figure: 256QAM, value: 3.2, source: "order 4711"}
//	regional:
//	  - name: harbour-radar
//	    clause: "6.6.5"
//	    title: radar in the harbour
//	    bands: [n78]
//	    frequencies: {low: 2700MHz, high: 2900MHz}
//	    limit: -60
//	    measurement_bandwidth: 1MHz
//	    source: "licence 12, annex B"
//
// An entry that loosens a limit has to say "loosens: true", and why in "reason".
// It may do so by 3 dB or a factor of two at the most.
type labFile struct {
	Limits     string `document:"required"`
	Base       string `document:"required"`
	Tolerances []labTolerance
	Cores      []labCore
	Regional   []labLimit
}

// labTolerance replaces a tolerance in a range of frequencies, bandwidths and bands.
type labTolerance struct {
	Clause        string `document:"required"`
	Figure        string // may be left out where the clause has one
	Above         rf.Hertz
	UpTo          rf.Hertz `document:"required"`
	BandwidthUpTo rf.Hertz
	Bands         []string
	Value         float64 `document:"required"`
	Source        string  `document:"required"`
	Loosens       bool
	Reason        string // why the lab may loosen it; required where it is loosened
}

// labCore replaces a core figure.
type labCore struct {
	Clause  string  `document:"required"`
	Figure  string  // may be left out where the clause has one
	Value   float64 `document:"required"`
	Source  string  `document:"required"`
	Loosens bool
	Reason  string // why the lab may loosen it; required where it is loosened
}

// labLimit is a further limit on emissions.
type labLimit struct {
	Name                 string `document:"required"`
	Clause               string `document:"required"`
	Title                string `document:"required"`
	Option               string // the word under which it applies; empty: always
	Bands, Classes       []string
	Frequencies          *rf.Range
	Beside               *labOffsets
	Clear                rf.Hertz
	Limit                float64  `document:"required"` // dBm
	MeasurementBandwidth rf.Hertz `document:"required"`
	Tolerance            *float64
	Source               string `document:"required"`
}

// labOffsets are offsets of the filter centre from the channel edge.
type labOffsets struct {
	From rf.Hertz `document:"required"`
	To   rf.Hertz `document:"required"`
}

// With lays a lab's own file over the set and returns the set that results;
// this one stays as it is. The file is YAML and may replace test tolerances and
// core figures and add limits on emissions; DEVELOPERS.md
// shows one. Name of the new set carries the name of the file's
// version and a short hash of its bytes. What is wrong is document.Problems,
// each with file, line and column: unknown keys, clauses, figures, bands and
// options, negative tolerances, ranges without room for their filter, and every
// limit that is loosened without saying so.
func (l *Set) With(file string, data []byte) (*Set, error) {
	var f labFile
	d := document.Read(file, data)
	d.Decode(&f)
	lay := &laying{Document: d, file: f, base: l, tables: l.tables.clone()}
	if d.Problems() == nil {
		lay.check()
	}
	if problems := d.Problems(); problems != nil {
		return nil, problems
	}
	if err := lay.tables.validate(); err != nil {
		d.Report("", "the set that results is not sound: %s", strings.TrimPrefix(err.Error(), "conformance: "))
		return nil, d.Problems()
	}
	sum := sha256.Sum256(data)
	return &Set{
		tables:    lay.tables,
		overrides: append(slices.Clone(l.overrides), override{name: f.Limits, hash: hex.EncodeToString(sum[:4])}),
	}, nil
}

// laying is one file on its way over a set.
type laying struct {
	*document.Document
	file   labFile
	base   *Set
	tables *limitSet // of the set that results
}

// labName is what the name of a file's version looks like.
var labName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._/-]{0,59}$`)

// limitName is what the name of a limit looks like.
var limitName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

func (l *laying) check() {
	f := l.file
	if !labName.MatchString(f.Limits) {
		l.Report("limits", "%q is no name of a version, such as north-lab/3: letters, digits and . _ / - up to 60", f.Limits)
	}
	if want := l.base.tables.Requirements.LimitSet; f.Base != want {
		l.Report("base", "written for the limit set %q, but the set here is %q; check every entry against it", f.Base, want)
	}
	for _, o := range l.base.overrides {
		if o.name == f.Limits {
			l.Report("limits", "a file called %s is laid over the set already", f.Limits)
		}
	}
	if f.Tolerances == nil && f.Cores == nil && f.Regional == nil {
		l.Report("", "the file changes nothing; it has neither tolerances nor cores nor regional limits")
	}
	for i, t := range f.Tolerances {
		l.layTolerance(fmt.Sprintf("tolerances[%d]", i), t)
	}
	for i, c := range f.Cores {
		l.layCore(fmt.Sprintf("cores[%d]", i), c)
	}
	for i, r := range f.Regional {
		l.layLimit(fmt.Sprintf("regional[%d]", i), r)
	}
}

// source is where the figure of an entry stands.
func (l *laying) source(path, text string) source {
	if strings.TrimSpace(text) == "" {
		l.Report(path+".source", "say where the figure comes from")
	}
	return source{Version: l.file.Limits, Clause: text, Provenance: "lab"}
}

// find returns the figure that an entry names, among those that have what it replaces.
func (l *laying) find(path, clause, figure string, has func(adjustable) bool) (adjustable, bool) {
	var clauses, figures []string
	var found []adjustable
	for _, a := range l.tables.adjustables() {
		if !has(a) {
			continue
		}
		if !slices.Contains(clauses, a.clause) {
			clauses = append(clauses, a.clause)
		}
		if a.clause == clause {
			found = append(found, a)
			figures = append(figures, a.figure)
		}
	}
	if !l.OneOf(path+".clause", "clause", clause, clauses...) {
		return adjustable{}, false
	}
	if figure == "" && len(found) == 1 {
		return found[0], true
	}
	if figure == "" {
		l.Report(path, "clause %s has more than one figure; say which: %s", clause, strings.Join(figures, ", "))
		return adjustable{}, false
	}
	if !l.OneOf(path+".figure", "figure", figure, figures...) {
		return adjustable{}, false
	}
	return found[slices.Index(figures, figure)], true
}

// bands reports unknown bands and returns their names as the set writes them.
func (l *laying) bands(path string, names []string) []string {
	known := l.tables.bandNames()
	for i, name := range names {
		l.OneOf(fmt.Sprintf("%s[%d]", path, i), "band", name, known...)
	}
	return names
}

func (l *laying) layTolerance(path string, t labTolerance) {
	row := toleranceRow{Above: t.Above, UpTo: t.UpTo, BandwidthUpTo: t.BandwidthUpTo, Bands: l.bands(path+".bands", t.Bands), Value: t.Value}
	from := l.source(path, t.Source)
	row.Lab, row.Reason = &from, strings.TrimSpace(t.Reason)
	switch {
	case t.Value < 0:
		l.Report(path+".value", "tolerance %g is negative; a tolerance relaxes a core figure, to tighten one replace it under cores", t.Value)
		return
	case t.Above < 0 || t.UpTo <= t.Above || t.BandwidthUpTo < 0:
		l.Report(path+".up_to", "no frequency lies above %s and up to %s", t.Above, t.UpTo)
		return
	}
	a, ok := l.find(path, t.Clause, t.Figure, func(a adjustable) bool { return a.tolerance != nil })
	if !ok {
		return
	}
	row.Figure, row.Unit = a.figure, a.unit
	why := l.looser(a, row)
	switch {
	case why != "" && !t.Loosens:
		l.Report(path+".value", "tolerance %g %s loosens %s: %s; an entry that loosens a limit says \"loosens: true\"", t.Value, a.unit, a.clause, why)
	case why == "" && t.Loosens:
		l.Report(path+".loosens", "tolerance %g %s loosens nothing", t.Value, a.unit)
	default:
		l.reasoned(path, t.Loosens, t.Reason)
	}
	l.bounded(path, a, row)
	a.tolerance.Rows = append([]toleranceRow{row}, a.tolerance.Rows...)
}

// looser says where a row allows more than the tolerance in force; empty: nowhere.
func (l *laying) looser(a adjustable, row toleranceRow) string {
	for _, p := range placesOf(l.tables.bandNames(), tolerance{Rows: append([]toleranceRow{row}, a.tolerance.Rows...)}) {
		if !row.covers(p.at, p.carrier) {
			continue
		}
		value, from, known := a.tolerance.at(p.at, p.carrier)
		switch {
		case !known && row.Value > 0:
			return fmt.Sprintf("no tolerance is known at %s, where the core figure is in force", p.at)
		case known && row.Value > value:
			return fmt.Sprintf("at %s it is %g (%s)", p.at, value, from)
		}
	}
	return ""
}

func (l *laying) layCore(path string, c labCore) {
	from := l.source(path, c.Source)
	a, ok := l.find(path, c.Clause, c.Figure, func(a adjustable) bool { return a.core != nil })
	if !ok {
		return
	}
	looser := a.exceeds(c.Value, *a.core)
	l.loosened(path, c, a, from)
	switch {
	case looser && !c.Loosens:
		l.Report(path+".value", "core figure %g %s loosens %s, which has %g %s; an entry that loosens a limit says \"loosens: true\"", c.Value, a.unit, a.clause, *a.core, a.unit)
	case !looser && c.Loosens:
		l.Report(path+".loosens", "%g %s loosens nothing; the figure in force is %g %s", c.Value, a.unit, *a.core, a.unit)
	default:
		l.reasoned(path, c.Loosens, c.Reason)
	}
	*a.core = c.Value
	if l.tables.Laid == nil {
		l.tables.Laid = map[string]source{}
	}
	l.tables.Laid[a.clause+"/"+a.figure] = from
}
