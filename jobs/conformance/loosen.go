package conformance

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// Loosening says that a lab's own file replaced a core figure by one that allows
// more than the published one does.
type Loosening struct {
	Figure    string  // as the file names it, e.g. "256QAM"
	Published float64 // the figure it replaces, in Unit
	Value     float64 // the figure in force
	Unit      string
	Reason    string // why the lab may do so, in the words of its file
	Source    string // file and place, e.g. "north-lab/3 order 4711"
}

// String says it in one line, for the note of a result.
func (l Loosening) String() string {
	return fmt.Sprintf("judged under a loosened core: %s is %g %s instead of %g (%s; %s)", l.Figure, l.Value, l.Unit, l.Published, l.Reason, l.Source)
}

// A core figure may be loosened up to twice what the standard allows: by 3 dB
// where it is in decibels, by a factor of two elsewhere. That is the step
// between neighbouring classes of the standard itself (0.05 and 0.1 ppm in
// TS 38.104 6.5.1.2), and room for what a customer or an authority concedes on
// one product. Beyond it stands another requirement, which belongs into a limit
// set of its own, or a slipped sign or decimal point. The bound counts from the
// published figure, so that files laid over each other do not add up. Common
// practice, no source.
const (
	mostLooserDB     = 3.0
	mostLooserFactor = 2.0
)

// loosest returns the figure up to which a core figure may be loosened, and the
// bound in words.
func (a adjustable) loosest() (value float64, bound string) {
	published := *a.core
	switch decibels := strings.HasPrefix(a.unit, "dB"); {
	case decibels && a.least:
		return published - mostLooserDB, fmt.Sprintf("%g dB", mostLooserDB)
	case decibels:
		return published + mostLooserDB, fmt.Sprintf("%g dB", mostLooserDB)
	}
	return published * mostLooserFactor, fmt.Sprintf("a factor of %g", mostLooserFactor)
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
// it no longer does, and reports one that goes too far or gives no reason.
func (l *laying) loosened(path string, c labCore, a adjustable, from source) {
	key, printed := a.clause+"/"+a.figure, l.published(a)
	delete(l.tables.Loosened, key)
	if !a.exceeds(c.Value, *printed.core) {
		return
	}
	if c.Loosens && strings.TrimSpace(c.Reason) == "" {
		l.Report(path+".reason", "a loosened core figure says why in \"reason\"; every result under it will")
	}
	if most, bound := printed.loosest(); a.exceeds(c.Value, most) && math.Abs(c.Value-most) > 1e-9 {
		l.Report(path+".value", "core figure %g %s loosens the published %g %s by more than %s; the most is %g %s", c.Value, a.unit, *printed.core, a.unit, bound, clean(most), a.unit)
	}
	if l.tables.Loosened == nil {
		l.tables.Loosened = map[string]Loosening{}
	}
	l.tables.Loosened[key] = Loosening{Figure: a.figure, Published: *printed.core, Value: c.Value, Unit: a.unit, Reason: strings.TrimSpace(c.Reason), Source: from.String()}
}

// loosenings returns what is loosened of a core figure: nothing, or one entry.
func (l *limitSet) loosenings(clause, figure string) []Loosening {
	if one, ok := l.Loosened[clause+"/"+figure]; ok {
		return []Loosening{one}
	}
	return nil
}

// Loosened returns every core figure that files over the set loosened, by clause
// and figure.
func (l *Set) Loosened() []Loosening {
	var list []Loosening
	for _, key := range slices.Sorted(maps.Keys(l.tables.Loosened)) {
		list = append(list, l.tables.Loosened[key])
	}
	return list
}
