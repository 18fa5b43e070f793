// Package conformance knows the conducted transmitter limits of a base
// station: operating bands, channel raster, requirements, masks, tolerances and
// the rule that turns a measured figure into a verdict.
//
// The concept on one screen:
//
//	Declaration + Carrier = Subject      what was declared, what is transmitted
//	Requirements(Subject, clause)        every limit that applies, core and tolerance apart
//	Reading                              a measured figure, or a series over frequency
//	Judge(requirements, readings, rule)  Result: value, limit, margin, verdict
//
// It touches no wire, no file and no clock. Limits are data: a Set names clause,
// version and provenance of every figure. Embedded is the one of the program,
// Set.With lays a lab's own file over it, Diff tells two sets apart. Core figures
// come from TS 38.104 V19.4.0; tolerances of TS 38.141-1 are from memory and
// say so, which makes every test requirement that uses them provisional.
package conformance

import (
	"benchyard/instruments/rf"
	"benchyard/jobs/uncertainty"
)

// Clause numbers of TS 38.141-1 that the limit set covers. Clauses names those
// that also have a procedure.
const (
	OutputPowerClause       = "6.2"
	DynamicRangeClause      = "6.3.3"
	OffPowerClause          = "6.4.1"
	TransientClause         = "6.4.2"
	FrequencyErrorClause    = "6.5.2"
	ModulationClause        = "6.5.3"
	TimeAlignmentClause     = "6.5.4"
	OccupiedBandwidthClause = "6.6.2"
	LeakageRatioClause      = "6.6.3"
	OperatingBandClause     = "6.6.4"
	SpuriousEmissionsClause = "6.6.5"
	IntermodulationClause   = "6.7"
)

// Class is the base station class of TS 38.104 clause 4.4.
type Class string

// The three classes.
const (
	WideArea    Class = "wide-area"
	MediumRange Class = "medium-range"
	LocalArea   Class = "local-area"
)

// Type is the requirement set of TS 38.104 clause 4.3: "1-C" (antenna
// connectors) or "1-H" (hybrid, transceiver array boundary connectors).
type Type string

// The conducted types.
const (
	Type1C Type = "1-C"
	Type1H Type = "1-H"
)

// RFChannel is the bottom, middle or top channel of the supported range.
type RFChannel string

// The three RF channels.
const (
	Bottom RFChannel = "B"
	Middle RFChannel = "M"
	Top    RFChannel = "T"
)

// Declaration is what the manufacturer declares and every limit depends on.
type Declaration struct {
	Class           Class
	Category        string // unwanted emissions category, "A" or "B"
	CategoryBOption int    // 1 or 2 where Category is "B"; zero means 1
	Type            Type
	RatedPower      rf.DBm // per connector, rated carrier output power
	// TotalPower is the rated total output power per connector, which several
	// carriers share; nil means RatedPower.
	TotalPower *rf.DBm
	// TransmitUnits is NTXU,countedpercell of type 1-H, and the number of antenna
	// connectors where a limit holds for their sum (option "additional:japan"); zero means 1.
	TransmitUnits int
	// IntraSystemLevel is the declared level of the intra-system interferer of
	// type 1-H (6.7); nil where it is not declared.
	IntraSystemLevel *rf.DBm
	// Options names the optional groups of limits that apply where the unit is
	// sold, in the words of OptionWords, for example "protection",
	// "coexistence:n1" or "additional:n48". Nil means none.
	Options []string
}

// Carrier is one NR carrier in its place in a band.
type Carrier struct {
	Band           string    // "n78"
	Channel        RFChannel // B, M, T, or empty for another raster point
	NREF           int       // NR-ARFCN
	Center         rf.Hertz  // F_REF
	Bandwidth      rf.Hertz  // BS channel bandwidth
	SCS            rf.Hertz  // subcarrier spacing
	ResourceBlocks int       // N_RB
}

// Configured returns the transmission bandwidth configuration, 12*SCS*N_RB.
func (c Carrier) Configured() rf.Hertz { return 12 * c.SCS * rf.Hertz(c.ResourceBlocks) }

// Edges returns the channel, Center -/+ Bandwidth/2.
func (c Carrier) Edges() rf.Range {
	return rf.Range{Low: c.Center - c.Bandwidth/2, High: c.Center + c.Bandwidth/2}
}

// Subject is all that the limits of one case depend on.
type Subject struct {
	Declaration
	Carrier Carrier
	// Carriers are all carriers of a configuration in one band, rising by
	// frequency; Carrier is the first of them. Nil where Carrier is the only one.
	Carriers []Carrier
	// Environment is the test environment, Normal or Extreme; empty means Normal.
	Environment string
	// Modulation narrows the error vector magnitude (6.5.3) to the one that the
	// test model carries, for example "64QAM"; empty means all of them.
	Modulation string
}

// The test environments of TS 38.141-1.
const (
	Normal  = "normal"
	Extreme = "extreme"
)

// Side tells where beside the carrier a figure stands.
type Side string

// The sides. Limits that have none use the empty Side.
const (
	LowerSide Side = "lower"
	UpperSide Side = "upper"
)

// Requirement is one limit: the minimum (core) requirement and the test
// tolerance that relaxes it, kept apart. A figure is judged against Lower and
// Upper, the test requirement. A limit that slopes with the offset from the
// channel edge has a second value of each bound at OffsetTo and is linear in
// decibels between.
type Requirement struct {
	Key    string // unique within a Subject, e.g. "6.6.4/upper/2"; a Reading carries the same key
	Clause string
	Title  string // short, for people: "operating band unwanted emissions, upper side"
	// Quantity is "output power", "total power dynamic range", "transmitter off
	// power", "transient period", "frequency error", "error vector magnitude",
	// "time alignment error", "occupied bandwidth", "adjacent channel leakage
	// ratio", "unwanted emission" or "spurious emission"; the last two are
	// answered by a series over frequency, the others by one value.
	Quantity string
	Unit     string // "dBm", "dBm/MHz", "dB", "Hz", "%", "ns", "µs"
	Side     Side

	Core           float64  // bound (or half-width of a two-sided one) of the core specification, at OffsetFrom
	CoreTo         float64  // same at OffsetTo; equal to Core for a flat limit
	Tolerance      float64  // test tolerance, never negative
	ToleranceKnown bool     // false: no tolerance is known, the core value is used
	Lower, Upper   *float64 // test requirement at OffsetFrom; nil where unbounded
	UpperTo        *float64 // upper test requirement at OffsetTo; nil for a flat limit

	// Loosened are the figures in it that a lab's file loosened; nil: none.
	// Every result judged against it says so.
	Loosened []Loosening

	// MaxUncertainty is the greatest expanded uncertainty that the test system
	// may have for this figure (TS 38.141-1 4.1.2). Nil where none is known. What
	// a figure has beyond it tightens the requirement.
	MaxUncertainty UncertaintySteps

	// Alternative is the absolute limit of an adjacent-channel leakage ratio,
	// in dBm over MeasurementBandwidth: the less stringent of the two applies
	// (TS 38.104 6.6.3.3). Nil everywhere else.
	Alternative *Alternative

	// Scaling is 10log10(NTXU,countedpercell) in dB, which the bounds of an
	// emission limit of type 1-H contain: they hold for the power sum over the
	// connectors of one cell (TS 38.104 6.6.3.4, 6.6.4.4). Zero everywhere else.
	Scaling float64

	// Sum are the limits of both sides of a sub-block gap, whose power sum is the
	// upper test requirement at every frequency; Upper and UpperTo are that sum at
	// OffsetFrom and OffsetTo. Nil everywhere else.
	Sum []Curve
	// coreSum are the same of the core figures.
	coreSum []Curve

	// Against are the square filters on the carriers whose power sum a leakage
	// ratio in a sub-block gap is held against. Nil: the configuration of the
	// carrier on whose Side the limit stands.
	Against []rf.Range

	MeasurementBandwidth rf.Hertz // filter of the limit
	OffsetFrom, OffsetTo rf.Hertz // f_offset from the channel edge (6.6.4), or centre offset of the adjacent channel in both (6.6.3)
	Frequencies          rf.Range // absolute span of filter centres the limit applies to

	// Interferer is the signal that must stand at the connector while the figure
	// is taken (6.7); nil everywhere else.
	Interferer *Interferer

	CoreSource      string // clause and version, e.g. "TS 38.104 V19.4.0 6.6.4.2.1 T6.6.4.2.1-2"
	ToleranceSource string
	Provenance      string // "spec", "memory", "lab" or several with "+": how far the test requirement can be trusted
}

// Interferer is the NR signal of the transmitter intermodulation test
// (TS 38.104 6.7.2).
type Interferer struct {
	Center    rf.Hertz
	Bandwidth rf.Hertz // channel bandwidth; subcarrier spacing 15 kHz
	Level     rf.DBm   // mean power at the connector
}

// Alternative is an absolute limit that stands beside a relative one.
type Alternative struct {
	Core, Tolerance float64 // dBm over Bandwidth
	PerMHz          float64 // the same limit as published, dBm/MHz
	Bandwidth       rf.Hertz
	MaxUncertainty  UncertaintySteps // of the absolute level
	Source          string
}

// Reading is one measured figure, or a series of them over frequency, that
// answers the Requirement of the same Key. Exactly one of Value and Series is set.
type Reading struct {
	Key    string
	Value  float64  // in the unit of the requirement
	At     rf.Hertz // where the figure was found; zero when it has no place
	Series *Series
	// CarrierPower is the mean power of the carrier in the same sweep, dBm. A
	// leakage ratio needs it to be held against an absolute limit.
	CarrierPower float64
	// Uncertainty is the expanded uncertainty (k = 2) of the figure, in its unit;
	// of a series the greatest. It holds where there is no budget.
	Uncertainty float64
	// Budget is the uncertainty of a single value with its parts. Nil where none
	// was made.
	Budget *uncertainty.Budget
	// Spans are the budgets of a series, by rising frequency.
	Spans []Span
	// Absolute is the budget of the level in the adjacent channel, in dB: a
	// leakage ratio that is held against an absolute limit has the uncertainty of
	// that level. Nil takes the one of the ratio.
	Absolute *uncertainty.Budget
	// Floor is the noise floor that was taken out of the figures above, with what
	// was measured. Nil: they are as measured.
	Floor *FloorTaken
	// Connectors counts the connectors of a type 1-H cell the figure sums over;
	// zero means 1. A figure of fewer connectors than transmitter units were
	// counted is held against the limit of one connector, Scaling lower.
	Connectors int
}

// Series is a level over frequency, each already referred to the measurement
// bandwidth of its limit. Frequencies[i] is the absolute filter centre of Levels[i].
type Series struct {
	Frequencies []float64 // Hz, rising
	Levels      []float64 // dBm
}

// Span is the uncertainty of a series up to a frequency, from where the span
// before it ends.
type Span struct {
	To     rf.Hertz
	Budget *uncertainty.Budget
}

// Verdict is the outcome of a judgement or of a case.
type Verdict string

// The verdicts. The last three are never the outcome of a judgement: only a
// valid measurement can pass or fail.
const (
	Pass            Verdict = "pass"
	ConditionalPass Verdict = "conditional pass"
	ConditionalFail Verdict = "conditional fail"
	Fail            Verdict = "fail"
	ErrorVerdict    Verdict = "error"
	Aborted         Verdict = "aborted"
	NotRun          Verdict = "not run"
)

// DecisionRule turns a value and its uncertainty into a verdict.
type DecisionRule struct {
	Name            string  // "shared-risk" (default), "simple", "guarded", "guarded-non-binary", "conformance-probability"
	GuardBandFactor float64 // r in w = r*U; used by the guarded rules only
	Probability     float64 `json:",omitempty"` // required conformance probability, from 0.5 to below 1; used by the rule of that name only
}

// Result is one judged requirement: the figure (of a series: the one with the
// least margin), the limit that held there, and what follows.
type Result struct {
	Requirement    Requirement
	Value          float64
	At             rf.Hertz            // absolute frequency of the figure; zero when it has no place
	Lower, Upper   *float64            // limit in force at the figure
	Margin         float64             // positive passes; dB or Hz, in the unit of the quantity
	Uncertainty    float64             // expanded, k = 2
	Budget         *uncertainty.Budget // how Uncertainty came about; nil where no budget was made
	MaxUncertainty *float64            // permitted for this figure; nil where none is known
	Tightened      float64             // by how much Lower and Upper are tightened because Uncertainty exceeds MaxUncertainty
	// Probability is the conformance probability: that the true value lies
	// within the test requirement, before any tightening or guard band, given
	// the value and a Gaussian uncertainty (JCGM 106 7). Nil without uncertainty.
	Probability *float64
	// CarrierPower is that of the reading, dBm; nil where the figure needs none.
	CarrierPower *float64
	// Correction is the path loss that was added at the place of the figure, dB;
	// nil where it is not known or moves no single level. Whoever knows the path
	// fills it in.
	Correction *float64
	// Floor is the part of the analyzer's noise in the figure; nil where nothing
	// was asked to be taken off.
	Floor   *FloorShare
	Verdict Verdict
	Rule    string // the rule as text, e.g. "shared-risk" or "guarded, w = 1.00 U"
	Note    string // e.g. "absolute limit -25 dBm/MHz governs"
}
