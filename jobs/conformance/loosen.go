package conformance

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// Loosening says that a lab's own file replaced a core figure, or a test
// tolerance, by one that allows more than the published one does.
type Loosening struct {
	Part      string  // "core" or "tolerance"
	Figure    string  // as the file names it, e.g. "256QAM"
	Published float64 // the figure it replaces, in Unit; zero where no tolerance is known
	Value     float64 // the figure in force
	Unit      string
	Reason    string // why the lab may do so, in the words of its file
	Source    string // file and place, e.g. "north-lab/3 order 4711"
}

// String says it in one line, for the note of a result.
func (l Loosening) String() string {
	return fmt.Sprintf("judged under a loosened %s: %s is %g %s instead of %g (%s; %s)", l.Part, l.Figure, l.Value, l.Unit, l.Published, l.Reason, l.Source)
}

// A figure may be loosened up to twice what the standard allows: by 3 dB where
// it is in decibels, by a factor of two elsewhere. That is the step
// between neighbouring classes of the standard itself (0.05 and 0.1 ppm in
// TS 38.104 6.5.1.2), and room for what a customer or an authority concedes on
// one product. Beyond it stands another requirement, which belongs into a limit
// set of its own, or a slipped sign or decimal point. The bound counts from the
// published figure, so that files laid over each other do not add up. A tolerance
// that is none cannot be doubled and stays; where none is known, the greatest
// that is known of the figure stands for it. Common practice, no source.
const (
	mostLooserDB     = 3.0
	mostLooserFactor = 2.0
)

// loosest returns the figure up to which a core figure may be loosened, and the
// bound in words.
func (a adjustable) loosest() (value float64, bound string) {
	if a.least {
		return *a.core - mostLooserDB, fmt.Sprintf("%g dB", mostLooserDB)
	}
	return loosestOf(*a.core, a.unit)
}

// loosestOf is loosest for a figure that is an upper bound.
func loosestOf(published float64, unit string) (value float64, bound string) {
	if strings.HasPrefix(unit, "dB") {
		return published + mostLooserDB, fmt.Sprintf("%g dB", mostLooserDB)
	}
	return published * mostLooserFactor, fmt.Sprintf("a factor of %g", mostLooserFactor)
}

// reasoned reports a loosened figure that gives no reason, and a reason for
// nothing.
func (l *laying) reasoned(path string, loosens bool, reason string) {
	switch given := strings.TrimSpace(reason) != ""; {
	case loosens && !given:
		l.Report(path+".reason", "what loosens a limit says why in \"reason\"; every result under it will")
	case !loosens && given:
		l.Report(path+".reason", "a reason belongs to an entry that loosens a limit")
	}
}

// printed returns the tolerance under no lab's file.
func (t tolerance) printed() tolerance {
	t.Rows = slices.DeleteFunc(slices.Clone(t.Rows), func(r toleranceRow) bool { return r.Lab != nil })
	return t
}

// bounded reports a tolerance that goes too far at a place it covers, the first
// by frequency.
func (l *laying) bounded(path string, a adjustable, row toleranceRow) {
	printed := a.tolerance.printed()
	for _, p := range placesOf(l.tables.bandNames(), tolerance{Rows: append([]toleranceRow{row}, printed.Rows...)}) {
		if !row.covers(p.at, p.carrier) {
			continue
		}
		published, _, known := printed.at(p.at, p.carrier)
		for _, r := range printed.Rows {
			if !known {
				published = max(published, r.Value)
			}
		}
		if most, bound := loosestOf(published, a.unit); row.Value > most+1e-9 {
			l.Report(path+".value", "tolerance %g %s at %s loosens the published %g %s by more than %s; the most is %g %s", row.Value, a.unit, p.at, published, a.unit, bound, clean(most), a.unit)
			return
		}
	}
}

// loosenings returns what is loosened of a tolerance at a place: nothing, or one
// entry. The reason of a row that takes part of a concession back is that of the
// row below.
func (t tolerance) loosenings(p place) []Loosening {
	row := t.rowAt(p)
	if row == nil || row.Lab == nil {
		return nil
	}
	published, _, _ := t.printed().at(p.at, p.carrier)
	if row.Value <= published {
		return nil
	}
	one := Loosening{Part: "tolerance", Figure: row.Figure, Published: published, Value: row.Value, Unit: row.Unit, Reason: row.Reason, Source: row.Lab.String()}
	for _, below := range t.Rows {
		if one.Reason == "" && below.covers(p.at, p.carrier) {
			one.Reason = below.Reason
		}
	}
	return []Loosening{one}
}

// loosenedRows returns what rows of a tolerance loosen somewhere, each once.
func (l *limitSet) loosenedRows(t tolerance) []Loosening {
	var list []Loosening
	seen := map[*source]bool{}
	for _, p := range placesOf(l.bandNames(), t) {
		row := t.rowAt(p)
		if one := t.loosenings(p); one != nil && !seen[row.Lab] {
			seen[row.Lab] = true
			list = append(list, one...)
		}
	}
	return list
}

// exceeds reports whether a figure allows more than another.
func (a adjustable) exceeds(value, other float64) bool {
	if a.least {
		return value < other
	}
	return value > other
}

// published returns a figure as the embedded set has it, under no lab's file.
func (l *laying) published(a adjustable) adjustable {
	list := Embedded().tables.adjustables()
	return list[slices.IndexFunc(list, func(o adjustable) bool { return o.core != nil && o.clause == a.clause && o.figure == a.figure })]
}

// loosened keeps that a core figure allows more than the published one, or that
// it no longer does, and reports one that goes too far.
func (l *laying) loosened(path string, c labCore, a adjustable, from source) {
	key, printed := a.clause+"/"+a.figure, l.published(a)
	reason := strings.TrimSpace(c.Reason)
	if reason == "" { // taking part of a concession back leaves its reason
		reason = l.tables.Loosened[key].Reason
	}
	delete(l.tables.Loosened, key)
	if !a.exceeds(c.Value, *printed.core) {
		return
	}
	if most, bound := printed.loosest(); a.exceeds(c.Value, most) && math.Abs(c.Value-most) > 1e-9 {
		l.Report(path+".value", "core figure %g %s loosens the published %g %s by more than %s; the most is %g %s", c.Value, a.unit, *printed.core, a.unit, bound, clean(most), a.unit)
	}
	if l.tables.Loosened == nil {
		l.tables.Loosened = map[string]Loosening{}
	}
	l.tables.Loosened[key] = Loosening{Part: "core", Figure: a.figure, Published: *printed.core, Value: c.Value, Unit: a.unit, Reason: reason, Source: from.String()}
}

// loosenings returns what is loosened of a core figure: nothing, or one entry.
func (l *limitSet) loosenings(clause, figure string) []Loosening {
	if one, ok := l.Loosened[clause+"/"+figure]; ok {
		return []Loosening{one}
	}
	return nil
}

// Loosened returns every figure that files over the set loosened: core figures
// by clause and name, then tolerances.
func (l *Set) Loosened() []Loosening {
	var list []Loosening
	for _, key := range slices.Sorted(maps.Keys(l.tables.Loosened)) {
		list = append(list, l.tables.Loosened[key])
	}
	for _, a := range l.tables.adjustables() {
		if a.tolerance != nil {
			list = append(list, l.tables.loosenedRows(*a.tolerance)...)
		}
	}
	return list
}
