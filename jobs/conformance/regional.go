package conformance

import (
	"fmt"
	"math"
	"slices"

	"benchyard/instruments/rf"
)

// Bounds of what a lab may write: levels in dBm, and the highest frequency at
// which emissions are measured.
const (
	mostLevel     = 200
	mostFrequency = 26 * rf.Gigahertz
)

// layLimit adds a lab's own limit on emissions to the groups of the set.
func (l *laying) layLimit(path string, r labLimit) {
	from := l.source(path, r.Source)
	g := optionGroup{
		Name: additional + r.Name, Title: r.Title, Clause: r.Clause, Option: r.Option, Source: from, Lab: true,
		Bands: l.bands(path+".bands", r.Bands),
	}
	if !limitName.MatchString(r.Name) {
		l.Report(path+".name", "%q is no name of a limit: small letters, digits and - up to 40", r.Name)
	}
	if slices.ContainsFunc(l.tables.Options.Groups, func(o optionGroup) bool { return o.Name == g.Name }) {
		l.Report(path+".name", "the set has limits called %s already", g.Name)
	}
	l.OneOf(path+".clause", "clause of emissions", r.Clause, OperatingBandClause, SpuriousEmissionsClause)
	if r.Option != "" {
		l.OneOf(path+".option", "option", r.Option, l.base.groupWords()...)
	}
	for i, c := range r.Classes {
		l.OneOf(fmt.Sprintf("%s.classes[%d]", path, i), "base station class", c, string(WideArea), string(MediumRange), string(LocalArea))
		g.Classes = append(g.Classes, Class(c))
	}
	if math.Abs(r.Limit) > mostLevel {
		l.Report(path+".limit", "%g dBm is no level of an emission", r.Limit)
	}
	g.Rows = []optionRow{l.labRow(path, r)}
	g.Tolerance = l.labTolerance(path, r.Tolerance, from)
	l.tables.Options.Groups = append(l.tables.Options.Groups, g)
}

// groupWords are the words that stand for additional limits.
func (l *Set) groupWords() []string {
	var words []string
	for _, g := range l.tables.Options.Groups {
		if !g.Lab && !slices.Contains(words, g.Name) {
			words = append(words, g.Name)
		}
	}
	return words
}

// labRow returns the range of a lab's own limit.
func (l *laying) labRow(path string, r labLimit) optionRow {
	row := optionRow{Limit: r.Limit, Filter: r.MeasurementBandwidth, Clear: r.Clear}
	switch {
	case (r.Frequencies == nil) == (r.Beside == nil):
		l.Report(path, "want either frequencies or beside, the offsets from the channel edge")
	case r.MeasurementBandwidth <= 0:
		l.Report(path+".measurement_bandwidth", "%s is no measurement bandwidth", r.MeasurementBandwidth)
	case r.Clear < 0:
		l.Report(path+".clear", "%s is no distance from the channel", r.Clear)
	case r.Beside != nil:
		row.Beside, row.From, row.To = true, r.Beside.From, r.Beside.To
		if row.From < row.Filter/2 || row.To < row.From {
			l.Report(path+".beside", "offsets %s to %s of a filter %s wide do not lie beside the channel", row.From, row.To, row.Filter)
		}
		if r.Clear > 0 {
			l.Report(path+".clear", "limits beside the channel have their distance in the offsets")
		}
	default:
		row.From, row.To = r.Frequencies.Low, r.Frequencies.High
		if row.From <= 0 || row.To > mostFrequency || row.To-row.From < row.Filter {
			l.Report(path+".frequencies", "%s to %s has no room for a filter %s wide", row.From, row.To, row.Filter)
		}
	}
	return row
}

// labTolerance returns the tolerance of a lab's own limit; a table without rows
// where none is given, so that the core value is in force.
func (l *laying) labTolerance(path string, given *float64, from source) *tolerance {
	if given == nil {
		return &tolerance{Source: from}
	}
	if *given < 0 {
		l.Report(path+".tolerance", "tolerance %g dB is negative", *given)
	}
	return &tolerance{Source: from, Rows: []toleranceRow{{UpTo: rf.Hertz(math.Inf(1)), Value: *given}}}
}
