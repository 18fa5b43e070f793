package conformance

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

// Change is one figure that differs between two limit sets.
type Change struct {
	Clause string `json:"clause"` // of TS 38.141-1; "bands", "channels" or "classes" where the figure belongs to no clause
	Figure string `json:"figure"` // what it is, for people
	Before string `json:"before"` // with its unit; empty: the first set has none
	After  string `json:"after"`  // empty: the second set has none
	Source string `json:"source"` // where the later figure stands, or the earlier one that is gone
}

// Diff returns every figure that differs from set a to set b, in the order of
// the sets, those that only b has last. Tolerances are compared where they are
// in force, not row by row: a row may lie over parts of several others.
func Diff(a, b *Set) []Change {
	before, after := flatten(a.tables), flatten(b.tables)
	var changes []Change
	for _, key := range before.order {
		old := before.figures[key]
		now, both := after.figures[key]
		switch {
		case old.table != nil:
			changes = append(changes, diffTolerances(a.tables.bandNames(), old, now)...)
		case !both:
			changes = append(changes, Change{old.clause, old.title, old.value, "", old.source})
		case now.value != old.value:
			changes = append(changes, Change{old.clause, old.title, old.value, now.value, now.source})
		}
	}
	for _, key := range after.order {
		now := after.figures[key]
		if _, both := before.figures[key]; both {
			continue
		}
		if now.table != nil {
			changes = append(changes, diffTolerances(b.tables.bandNames(), flat{}, now)...)
			continue
		}
		changes = append(changes, Change{now.clause, now.title, "", now.value, now.source})
	}
	return changes
}

// flat is one figure of a set.
type flat struct {
	clause, title, value, source string

	table *tolerance // of tolerances: all of them; there is no value then
}

// flattened is a set as a list of figures.
type flattened struct {
	order   []string // keys of figures
	figures map[string]flat
	laid    map[string]source
}

func flatten(l *limitSet) *flattened {
	f := &flattened{figures: map[string]flat{}, laid: l.Laid}
	f.walk(reflect.ValueOf(l.Bands.Bands), spot{clause: "bands", source: l.Bands.Source})
	f.walk(reflect.ValueOf(l.Channels), spot{clause: "channels"})
	f.walk(reflect.ValueOf(l.Masks.Masks), spot{clause: OperatingBandClause, source: l.Masks.Source})
	f.walk(reflect.ValueOf(l.Requirements), spot{})
	f.walk(reflect.ValueOf(l.Options), spot{clause: SpuriousEmissionsClause})
	return f
}

// spot is where the walk through a set stands.
type spot struct {
	clause string
	path   []string // words of the title
	source source
}

func (s spot) at(word string) spot {
	s.path = append(slices.Clone(s.path), word)
	return s
}

// sections are the clauses of the members of requirements.yaml.
var sections = map[string]string{
	"Classes": "classes", "OutputPower": OutputPowerClause, "DynamicRange": DynamicRangeClause, "OffPower": OffPowerClause,
	"Transient": TransientClause, "FrequencyError": FrequencyErrorClause, "Modulation": ModulationClause,
	"TimeAlignment": TimeAlignmentClause, "OccupiedBandwidth": OccupiedBandwidthClause, "LeakageRatio": LeakageRatioClause,
	"OperatingBand": OperatingBandClause, "Spurious": SpuriousEmissionsClause, "Intermodulation": IntermodulationClause,
}

// walk adds every figure below v.
func (f *flattened) walk(v reflect.Value, at spot) {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return
		}
		v = v.Elem()
	}
	switch x := v.Interface().(type) {
	case tolerance:
		f.tolerance(x, at)
		return
	case optionRow, segment:
		f.add(at, fmt.Sprint(x))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		f.fields(v, at)
	case reflect.Map:
		keys := v.MapKeys()
		slices.SortFunc(keys, func(a, b reflect.Value) int { return strings.Compare(a.String(), b.String()) })
		for _, k := range keys {
			f.walk(v.MapIndex(k), at.at(k.String()))
		}
	case reflect.Slice:
		if k := v.Type().Elem().Kind(); k != reflect.Struct {
			if v.Len() > 0 {
				f.add(at, fmt.Sprint(v.Interface()))
			}
			return
		}
		for i := range v.Len() {
			f.walk(v.Index(i), at.at(label(v.Index(i), i)))
		}
	default:
		if !v.IsZero() || v.Type() == reflect.TypeFor[float64]() {
			f.add(at, text(v))
		}
	}
}

// fields walks through the members of a struct, with the source and the clause
// that stand among them.
func (f *flattened) fields(v reflect.Value, at spot) {
	if r, ok := v.Interface().(rf.Range); ok {
		if r != (rf.Range{}) {
			f.add(at, r.Low.String()+" to "+r.High.String())
		}
		return
	}
	switch s := v.Interface().(type) {
	case optionGroup:
		at.clause = s.Clause
	case maskRow:
		at.source.Clause = s.Clause
	}
	if s := v.FieldByName("Source"); s.IsValid() {
		if from, ok := s.Interface().(source); ok {
			at.source = from
		}
	}
	for i := range v.NumField() {
		field := v.Type().Field(i)
		if skipped[field.Name] {
			continue
		}
		inner := at
		if clause, ok := sections[field.Name]; ok && len(at.path) == 0 && at.clause == "" {
			inner.clause = clause
		} else if !silent[field.Name] {
			inner = at.at(words(field))
		}
		f.walk(v.Field(i), inner)
	}
}

// skipped members are no figures; silent ones add nothing to a title.
var (
	skipped = map[string]bool{"Source": true, "Provenance": true, "Name": true, "Title": true, "Clause": true, "TestClause": true,
		"LimitSet": true, "Summary": true, "Lab": true, "Laid": true, "Loosened": true}
	silent = map[string]bool{"Rows": true, "Spectrum": true, "Emissions": true, "Groups": true, "Segments": true}
)

// tolerance adds a table of them.
func (f *flattened) tolerance(t tolerance, at spot) {
	f.add(at, "")
	key := f.order[len(f.order)-1]
	entry := f.figures[key]
	entry.table = &t
	f.figures[key] = entry
}

// covered says in words where a tolerance holds.
func (r toleranceRow) covered() string {
	var b strings.Builder
	if r.Above > 0 {
		fmt.Fprintf(&b, "above %s ", r.Above)
	}
	if math.IsInf(float64(r.UpTo), 1) {
		b.WriteString("at any frequency")
	} else {
		fmt.Fprintf(&b, "up to %s", r.UpTo)
	}
	if r.BandwidthUpTo > 0 {
		fmt.Fprintf(&b, ", channels up to %s", r.BandwidthUpTo)
	}
	if len(r.Bands) > 0 {
		b.WriteString(", " + strings.Join(r.Bands, " "))
	}
	return b.String()
}

func (f *flattened) add(at spot, value string) {
	title := strings.Join(at.path, " ")
	key := at.clause + "|" + title
	from := at.source
	for laid, own := range f.laid {
		if clause, figure, _ := strings.Cut(laid, "/"); clause == at.clause && belongsTo(at.path, figure) {
			from = own
		}
	}
	f.order = append(f.order, key)
	f.figures[key] = flat{clause: at.clause, title: title, value: value, source: from.String()}
}

// belongsTo reports whether a core figure that a lab may name stands at a path.
func belongsTo(path []string, figure string) bool {
	member := "core"
	if figure == Extreme {
		member = figure
	}
	return slices.Contains(path, figure) || slices.Equal(path, []string{member})
}

// label names one element of a list: by its own name, its class, or its number.
func label(v reflect.Value, i int) string {
	switch row := v.Interface().(type) {
	case optionGroup:
		return fmt.Sprintf("%s %s%s", row.Name, strings.Join(row.Bands, " "), widths(row.BandwidthAbove, row.BandwidthUpTo))
	case modulationRow:
		return row.figure()
	case absoluteRow:
		return row.figure()
	case blockRow:
		return fmt.Sprintf("%s at %s", row.Bandwidth, row.SCS)
	case segment:
		return fmt.Sprintf("segment %d", i+1)
	}
	for _, name := range []string{"Name", "Class"} {
		if n := v.FieldByName(name); n.IsValid() && n.Kind() == reflect.String && n.String() != "" {
			return n.String()
		}
	}
	return fmt.Sprintf("row %d", i+1)
}

func widths(above, upTo rf.Hertz) string {
	switch {
	case above > 0:
		return " above " + above.String()
	case upTo > 0:
		return " up to " + upTo.String()
	}
	return ""
}

// text prints a figure as a person reads it.
func text(v reflect.Value) string {
	if s, ok := v.Interface().(fmt.Stringer); ok {
		return s.String()
	}
	if v.Kind() == reflect.Float64 {
		return trimmed(v.Float())
	}
	return fmt.Sprint(v.Interface())
}

// words turns the name of a member into words: that of the file, or its own.
func words(field reflect.StructField) string {
	name, _, _ := strings.Cut(field.Tag.Get("yaml"), ",")
	if name == "" || name == "-" {
		name = strings.ToLower(field.Name)
	}
	return strings.ReplaceAll(name, "_", " ")
}

// String prints the limit and where it holds.
func (r optionRow) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s dBm in %s, ", trimmed(r.Limit), r.Filter)
	switch {
	case r.Beside:
		fmt.Fprintf(&b, "%s to %s from the channel edge", r.From, r.To)
	case r.From == 0:
		fmt.Fprintf(&b, "up to %s", r.To)
	case r.To == 0:
		fmt.Fprintf(&b, "from %s", r.From)
	default:
		fmt.Fprintf(&b, "%s to %s", r.From, r.To)
	}
	if r.Clear > 0 {
		fmt.Fprintf(&b, ", %s clear of the channel", r.Clear)
	}
	return b.String()
}

// String prints the limit and where it holds.
func (s segment) String() string {
	var b strings.Builder
	b.WriteString(trimmed(s.Core))
	if s.CoreTo != nil {
		b.WriteString(" … " + trimmed(*s.CoreTo))
	}
	b.WriteString(" dBm")
	if s.Relative {
		b.WriteString(" above rated power")
	}
	if s.Cap != nil {
		fmt.Fprintf(&b, ", at most %s dBm", trimmed(*s.Cap))
	}
	fmt.Fprintf(&b, " in %s, %s to ", s.Filter, s.From)
	if s.To == 0 {
		b.WriteString("the end")
	} else {
		b.WriteString(s.To.String())
	}
	return b.String() + ", tolerance " + s.Tolerance
}
