// Package plan is the test plan: which tests, on which carriers, RF channels,
// connectors and test models, judged by which rule.
//
// The concept on one screen:
//
//	Parse(file, data)      YAML document -> Plan, or every problem it has
//	(*Plan).Hash           the same plan has the same hash, whatever its layout
//	Expand(plan, target)   Plan x radio unit type -> cases in a fixed order
//	Segments(cases)        cases that share one setting: the checkpoints of a run
//	Estimate, Describe     what it will take and what it asks, for people
//
// One plan may serve several radio unit types: a type takes the carriers it
// declares and leaves the others out. A plan none of whose carriers fits a type
// is refused for that type.
//
// # Order
//
// Retuning a transmitter is slow, switching a connector is quicker, another
// measurement at the same setting is free. So cases go by carrier in the order
// of the plan, within it by RF channel (B, M, T), by test model in the order of
// the plan, by connector, and last by clause in the order of the standard. The
// order, the keys and the positions depend on nothing but plan and target. Where
// a person moves the cable that is slower than everything else: then all cases of
// a connector stand together, in that same order.
package plan

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// What a run does after a case that failed. An error is never a fail: see Retries.
const (
	Continue = "continue" // the default: measure everything
	Stop     = "stop"     // the rest of the run is not run
)

// Plan is one test plan, with all defaults filled in.
type Plan struct {
	Name     string          `yaml:"plan" document:"required"`
	Title    string          // one line for people
	Carriers []CarrierChoice // what tests without their own carriers measure
	// Configurations are several carriers at once.
	Configurations []Configuration          `json:",omitempty"`
	Tests          []Test                   `document:"required"`
	Rule           conformance.DecisionRule `yaml:"decision_rule"` // default: shared-risk
	OnFail         string                   // "continue" or "stop"
	Retries        int                      // how often a segment that ended in an error is tried again; a fail never is
	WarmUp         WarmUp
	BackOff        BackOff `json:",omitzero"`  // between retries
	Retest         Retest  `json:",omitzero"`  // of cases that failed
	Resume         string  `json:",omitempty"` // where an interrupted run goes on: AnyBench, or empty for the same bench
	// NoiseFloor says for all tests what is done about the noise of the analyzer:
	// CorrectFloor, or empty to keep the levels as measured.
	NoiseFloor string `json:",omitempty"`
}

// CarrierChoice is a carrier before it has its place in the band.
type CarrierChoice struct {
	Band      string   `document:"required"`
	Bandwidth rf.Hertz `document:"required"`
	SCS       rf.Hertz `document:"required"`
}

// String returns "n78 100 MHz / 30 kHz".
func (c CarrierChoice) String() string {
	return fmt.Sprintf("%s %s / %s", c.Band, c.Bandwidth, c.SCS)
}

// Test asks for one clause of TS 38.141-1.
type Test struct {
	Clause     string                  `document:"required"`
	RFChannels []conformance.RFChannel // default: those the standard names for the clause
	Connectors Connectors              // default: all
	TestModels []string                // default: NR-FR1-TM1.1
	Carriers   []CarrierChoice         // instead of those of the plan, and of its configurations
	// Configurations of the plan by name; without carriers beside them the test is
	// made on these alone.
	Configurations []string `json:",omitempty"`
	// NoiseFloor is for this test alone; empty takes that of the plan.
	NoiseFloor string `json:",omitempty"`
	// Health is what a test of the transceiver health test measures, and its limits.
	Health *conformance.Health `json:",omitempty"`
}

// Connectors lists connectors of a radio unit, from 1. Nil means all it has.
type Connectors []int

// UnmarshalText reads the word "all"; a list is read by its numbers.
func (c *Connectors) UnmarshalText(b []byte) error {
	if string(b) != "all" {
		return fmt.Errorf(`plan: want all, or a list of connectors such as [1, 2], found %q`, b)
	}
	*c = nil
	return nil
}

// WarmUp says when a unit that was switched on is steady enough to be measured.
// The run loop transmits at rated power, waits Minimum, and then reads the
// carrier power every Interval. The unit is warm as soon as two readings that
// follow each other differ by less than Slope, and its temperature moves by
// TemperatureSlope at the most, where it can be asked. A unit that is not warm Limit
// after the start gives an error, not a fail. With Limit zero nothing is
// waited for.
type WarmUp struct {
	Minimum          time.Duration
	Limit            time.Duration
	Slope            rf.DB
	Interval         time.Duration
	TemperatureSlope Slope `json:",omitempty"` // zero: DefaultTemperatureSlope
}

// Slope is how fast a temperature moves, in kelvins a minute.
type Slope float64

// String prints it with its unit.
func (s Slope) String() string { return fmt.Sprintf("%.2f K/min", float64(s)) }

// UnmarshalText reads a slope such as "0.2 K/min".
func (s *Slope) UnmarshalText(b []byte) error {
	text, ok := strings.CutSuffix(strings.TrimSpace(string(b)), "K/min")
	x, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if !ok || err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return fmt.Errorf("plan: slope of temperature %q: want a number with its unit, such as 0.2K/min", b)
	}
	*s = Slope(x)
	return nil
}

// Defaults of a warm-up that is asked for. The slope is a tenth of the usual
// test tolerance of power; thermal time constants of radio units are minutes.
const (
	DefaultSlope    rf.DB = 0.05
	DefaultInterval       = 10 * time.Second
	// DefaultTemperatureSlope is common practice, without a source.
	DefaultTemperatureSlope Slope = 0.2
)

// Hash returns the SHA-256 of the plan in hexadecimal. It is taken over the
// values with their defaults, so that comments, layout and the order of keys
// do not matter, and a default written out is the same as one left out.
func (p *Plan) Hash() string {
	canonical, err := json.Marshal(struct {
		Form string
		Plan *Plan
	}{"benchyard plan 1", p})
	if err != nil { // only numbers that are not finite could do this; Parse lets none in
		panic(fmt.Sprintf("plan: hash of %q: %v", p.Name, err))
	}
	return fmt.Sprintf("%x", sha256.Sum256(canonical))
}

// carriersOf returns what a test is measured on.
func (p *Plan) carriersOf(t Test) []CarrierChoice {
	if len(t.Carriers) > 0 || len(t.Configurations) > 0 {
		return t.Carriers
	}
	return p.Carriers
}

// allCarriers returns every carrier of the plan once: those of the plan
// itself, then those that only single tests have.
func (p *Plan) allCarriers() []CarrierChoice {
	all := slices.Clone(p.Carriers)
	for _, t := range p.Tests {
		for _, c := range t.Carriers {
			if !slices.Contains(all, c) {
				all = append(all, c)
			}
		}
	}
	return all
}

// TestModels returns the names of the FR1 test models of TS 38.141-1 4.9.2.2.
func TestModels() []string {
	return []string{
		"NR-FR1-TM1.1", "NR-FR1-TM1.2",
		"NR-FR1-TM2", "NR-FR1-TM2a", "NR-FR1-TM2b",
		"NR-FR1-TM3.1", "NR-FR1-TM3.1a", "NR-FR1-TM3.1b",
		"NR-FR1-TM3.2", "NR-FR1-TM3.3",
	}
}

// rfChannels returns the RF channels the standard names for a clause
// (TS 38.141-1 4.9.1 and the clauses themselves, from memory). Spurious
// emissions below the band are measured at B, above it at T.
func rfChannels(clause string) []conformance.RFChannel {
	switch clause {
	case conformance.OccupiedBandwidthClause:
		return []conformance.RFChannel{conformance.Middle}
	case conformance.SpuriousEmissionsClause:
		return []conformance.RFChannel{conformance.Bottom, conformance.Top}
	case conformance.FlatnessClause, conformance.LinearityClause, conformance.OutputClause:
		return []conformance.RFChannel{conformance.Middle}
	}
	return everyChannel()
}

func everyChannel() []conformance.RFChannel {
	return []conformance.RFChannel{conformance.Bottom, conformance.Middle, conformance.Top}
}
