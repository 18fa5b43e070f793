package server

import (
	"html/template"
	"strings"

	"benchyard/server/api"
)

// limitFunctions print where a limit comes from and where it applies. They take
// a nil limit: the inventory of an old case may be gone.
func limitFunctions() template.FuncMap {
	return template.FuncMap{
		"limitOf":        limitOf,
		"segment":        segmentText,
		"core":           coreText,
		"offsets":        offsetText,
		"alternative":    alternativeText,
		"absoluteSource": absoluteSource,
	}
}

func limitOf(limits []api.Limit, key string) *api.Limit {
	for i := range limits {
		if limits[i].Key == key {
			return &limits[i]
		}
	}
	return nil
}

// segmentText tells the segments of one side of a mask apart, which share a
// title: "6.6.4/upper/2" is segment 2.
func segmentText(key string) string {
	part := strings.Split(key, "/")
	if len(part) == 3 && part[0] == "6.6.4" {
		return "segment " + part[2]
	}
	return ""
}

// coreText prints the core value: the half-width of a limit with two sides, or
// both ends of one that slopes.
func coreText(r api.Result, l *api.Limit) string {
	switch {
	case r.Lower != nil && r.Upper != nil:
		return "±" + figureText(r.Core, api.MarginUnit(r.Unit))
	case l != nil && l.CoreTo != nil:
		return figureText(r.Core, r.Unit) + " to " + figureText(*l.CoreTo, r.Unit)
	}
	return figureText(r.Core, r.Unit)
}

// alternativeText prints the absolute limit beside a relative one.
func alternativeText(l *api.Limit) string {
	if l == nil || l.Alternative == nil {
		return ""
	}
	a := l.Alternative
	text := "or " + figureText(a.PerMHz, "dBm/MHz") + ", " + figureText(a.Core, "dBm") + " in " + figureText(a.BandwidthHz, "Hz")
	if a.Tolerance != 0 {
		text += ", test tolerance " + figureText(a.Tolerance, "dB")
	}
	return text + ": the less stringent applies"
}

func absoluteSource(l *api.Limit) string {
	if l == nil || l.Alternative == nil {
		return ""
	}
	return l.Alternative.Source
}

// betweenText says how a limit runs between its two ends.
func betweenText(l *api.Limit) string {
	switch {
	case l == nil || l.CoreTo == nil:
		return ""
	case len(l.Sum) > 0:
		return ", between them the power sum of both sides of the gap"
	}
	return ", linear in dB between"
}

// loosenedText names the figures in a limit that the lab loosened.
func loosenedText(l *api.Limit) string {
	if l == nil {
		return ""
	}
	var parts []string
	for _, x := range l.Loosened {
		parts = append(parts, x.Part+" "+x.Figure+": "+figureText(x.Value, x.Unit)+" instead of "+figureText(x.Published, x.Unit)+", "+x.Reason+" ("+x.Source+")")
	}
	return strings.Join(parts, "; ")
}

// offsetText prints where beside the carrier a limit applies.
func offsetText(l *api.Limit) string {
	switch {
	case l != nil && len(l.Sum) > 0:
		return "filter centre " + figureText(l.FrequencyFromHz, "Hz") + " to " + figureText(l.FrequencyToHz, "Hz") + ", in the gap"
	case l == nil || l.OffsetFromHz == nil || l.OffsetToHz == nil:
		return ""
	case *l.OffsetFromHz == *l.OffsetToHz:
		return figureText(l.OffsetFromHz, "Hz") + " beside the carrier, centre to centre"
	}
	return "filter centre " + figureText(l.OffsetFromHz, "Hz") + " to " + figureText(l.OffsetToHz, "Hz") + " from the channel edge"
}
