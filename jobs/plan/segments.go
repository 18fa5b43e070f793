package plan

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Segment is a stretch of cases that follow each other at one setting: carrier,
// test model and connector. Its end is a checkpoint of the run.
type Segment struct {
	Number    int    // from 1
	Title     string // "n78 B 3.35001 GHz, NR-FR1-TM1.1, connector 2"
	Carrier   conformance.Carrier
	TestModel string
	Connector int
	Cases     []Case
	// Carriers and Configuration are those of the cases.
	Carriers      []conformance.Carrier
	Configuration string
}

// Segments splits cases, in the order Expand gives them, where the setting changes.
func Segments(cases []Case) []Segment {
	var segments []Segment
	for i, c := range cases {
		if i > 0 && slices.Equal(c.carriers(), cases[i-1].carriers()) && c.TestModel == cases[i-1].TestModel && c.Connector == cases[i-1].Connector {
			last := &segments[len(segments)-1]
			last.Cases = append(last.Cases, c)
			continue
		}
		segments = append(segments, Segment{
			Number:    len(segments) + 1,
			Title:     fmt.Sprintf("%s %s %s, %s, connector %d", c.Carrier.Band, c.Carrier.Channel, c.place(), c.TestModel, c.Connector),
			Carrier:   c.Carrier,
			TestModel: c.TestModel,
			Connector: c.Connector,
			Cases:     []Case{c},
			Carriers:  c.Carriers, Configuration: c.Configuration,
		})
	}
	return segments
}

// carriers returns all carriers of a case, rising by frequency.
func (c Case) carriers() []conformance.Carrier {
	return conformance.Subject{Carrier: c.Carrier, Carriers: c.Carriers}.All()
}

// place tells where the carriers of a case stand: the centre of one, the name of
// a configuration.
func (c Case) place() string {
	if c.Configuration != "" {
		return fmt.Sprintf("%s (%d carriers)", c.Configuration, len(c.Carriers))
	}
	return c.Carrier.Center.String()
}

// each writes a figure of every carrier, "100 MHz + 40 MHz".
func each(c Case, of func(conformance.Carrier) rf.Hertz) string {
	var parts []string
	for _, k := range c.carriers() {
		parts = append(parts, of(k).String())
	}
	return strings.Join(parts, " + ")
}

// Estimate adds up how long the cases take, as told by one function for each:
// a plan knows no sweep times.
func Estimate(cases []Case, of func(Case) time.Duration) time.Duration {
	var total time.Duration
	for _, c := range cases {
		total += of(c)
	}
	return total
}

// Columns heads the rows of Describe.
func Columns() []string {
	return []string{"#", "clause", "test", "band", "channel", "carrier", "bandwidth", "scs", "connector", "test model"}
}

// Describe returns one row of text for each case, under Columns.
func Describe(cases []Case) [][]string {
	rows := make([][]string, len(cases))
	for i, c := range cases {
		rows[i] = []string{
			strconv.Itoa(c.Position), c.Clause, conformance.ClauseTitle(c.Clause), c.Carrier.Band, string(c.Carrier.Channel),
			each(c, func(k conformance.Carrier) rf.Hertz { return k.Center }), each(c, func(k conformance.Carrier) rf.Hertz { return k.Bandwidth }),
			each(c, func(k conformance.Carrier) rf.Hertz { return k.SCS }), strconv.Itoa(c.Connector), c.TestModel,
		}
	}
	return rows
}
