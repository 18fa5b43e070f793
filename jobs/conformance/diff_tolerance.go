package conformance

import (
	"math"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

// place is where a tolerance may be looked up.
type place struct {
	at      rf.Hertz
	carrier Carrier
}

// placesOf returns places among which every row, and every part of a row that
// another covers, has one at least: rows end, included, at the frequencies and
// widths that stand in them, and nothing changes in between.
func placesOf(bands []string, tables ...tolerance) []place {
	frequencies, widths := []rf.Hertz{}, []rf.Hertz{100 * rf.Megahertz} // the widest channel
	for _, t := range tables {
		for _, row := range t.Rows {
			frequencies = append(frequencies, row.Above, row.UpTo)
			if row.BandwidthUpTo > 0 {
				widths = append(widths, row.BandwidthUpTo)
			}
		}
	}
	slices.Sort(frequencies)
	slices.Sort(widths)
	var list []place
	for _, f := range slices.Compact(frequencies) {
		for _, w := range slices.Compact(widths) {
			for _, band := range bands {
				if f > 0 {
					list = append(list, place{f, Carrier{Band: band, Bandwidth: w}})
				}
			}
		}
	}
	return list
}

// rowAt returns the row in force, or nil.
func (t *tolerance) rowAt(p place) *toleranceRow {
	if t == nil {
		return nil
	}
	for i := range t.Rows {
		if t.Rows[i].covers(p.at, p.carrier) {
			return &t.Rows[i]
		}
	}
	return nil
}

// diffTolerances returns one change for every two rows of which the later one is
// in force where the earlier one was, with another value.
func diffTolerances(bands []string, before, after flat) []Change {
	type pair struct{ old, now *toleranceRow }
	seen := map[pair]bool{}
	head := before
	var tables []tolerance
	for _, f := range []flat{before, after} {
		if f.table != nil {
			head, tables = f, append(tables, *f.table)
		}
	}
	var changes []Change
	for _, p := range placesOf(bands, tables...) {
		both := pair{before.table.rowAt(p), after.table.rowAt(p)}
		if seen[both] || both.old == nil && both.now == nil || both.old != nil && both.now != nil && both.old.Value == both.now.Value {
			continue
		}
		seen[both] = true
		c := Change{Clause: head.clause, Source: before.sourceOf(both.old)}
		where := toleranceRow{UpTo: rf.Hertz(math.Inf(1))}
		if both.old != nil {
			c.Before, where = trimmed(both.old.Value), where.and(*both.old)
		}
		if both.now != nil {
			c.After, c.Source, where = trimmed(both.now.Value), after.sourceOf(both.now), where.and(*both.now)
		}
		c.Figure = strings.TrimSpace(head.title + " " + where.covered())
		changes = append(changes, c)
	}
	return changes
}

// sourceOf returns where a row of the table stands.
func (f flat) sourceOf(row *toleranceRow) string {
	switch {
	case row == nil:
		return ""
	case row.Lab != nil:
		return row.Lab.String()
	}
	return f.table.Source.String()
}

// and returns where both rows hold.
func (r toleranceRow) and(other toleranceRow) toleranceRow {
	both := toleranceRow{Above: max(r.Above, other.Above), UpTo: min(r.UpTo, other.UpTo), BandwidthUpTo: max(r.BandwidthUpTo, other.BandwidthUpTo), Bands: r.Bands}
	if r.BandwidthUpTo > 0 && other.BandwidthUpTo > 0 {
		both.BandwidthUpTo = min(r.BandwidthUpTo, other.BandwidthUpTo)
	}
	if len(other.Bands) > 0 {
		both.Bands = slices.DeleteFunc(slices.Clone(other.Bands), func(b string) bool { return len(r.Bands) > 0 && !slices.Contains(r.Bands, b) })
	}
	return both
}

// bandNames returns the bands as the set writes them.
func (l *limitSet) bandNames() []string {
	names := make([]string, len(l.Bands.Bands))
	for i, b := range l.Bands.Bands {
		names[i] = b.Name
	}
	return names
}
