package api

import (
	"strings"
	"time"
)

// Conditions say at what one figure was measured.
type Conditions struct {
	Band        string  `json:"band"`
	RFChannel   string  `json:"rf_channel"` // "B", "M", "T"
	CarrierHz   float64 `json:"carrier_hz"`
	BandwidthHz float64 `json:"bandwidth_hz"`
	SCSHz       float64 `json:"scs_hz"`
	Connector   int     `json:"connector"`
	TestModel   string  `json:"test_model"`

	Configuration string        `json:"configuration,omitempty"` // name of several carriers at once, of which the fields above hold the lowest
	Carriers      []Transmitted `json:"carriers,omitempty"`      // all of them, rising by frequency
}

// Transmitted is one of several carriers that were transmitted at once.
type Transmitted struct {
	CenterHz    float64 `json:"center_hz"`
	BandwidthHz float64 `json:"bandwidth_hz"`
	SCSHz       float64 `json:"scs_hz"`
}

// Result is one judged figure: the value, the limits in force at it, the margin
// (positive passes), the verdict and everything needed to trace it.
type Result struct {
	Key        string     `json:"key"`      // requirement, unique within a case
	Clause     string     `json:"clause"`   // of TS 38.141-1
	Title      string     `json:"title"`    // for people
	Quantity   string     `json:"quantity"` // what was measured
	Value      float64    `json:"value"`    // in Unit
	Unit       string     `json:"unit"`     // "dBm", "dBm/MHz", "dB", "Hz", "%", "ns" or "µs"
	Lower      *float64   `json:"lower"`    // limit in force at the figure; null where unbounded
	Upper      *float64   `json:"upper"`
	Margin     float64    `json:"margin"` // dB beside dBm, dBm/MHz and dB, else Unit
	Verdict    string     `json:"verdict"`
	Conditions Conditions `json:"conditions"`

	AtHz                   *float64 `json:"at_hz"`                    // where the figure was found; null when it has no place
	MeasurementBandwidthHz *float64 `json:"measurement_bandwidth_hz"` // null where the limit has none
	Core                   float64  `json:"core"`
	Tolerance              float64  `json:"tolerance"`
	ToleranceKnown         bool     `json:"tolerance_known"` // false: the core value is used as it stands
	Uncertainty            float64  `json:"uncertainty"`     // expanded, k = 2, in the unit of the margin
	Probability            *float64 `json:"probability"`     // that the true value lies within the requirement, before any tightening or guard band; null without uncertainty
	Risk                   *float64 `json:"risk"`            // that the verdict is wrong: of a false accept, or of a false reject
	Budget                 *Budget  `json:"budget"`          // how Uncertainty came about; null where no budget was made
	MaxUncertainty         *float64 `json:"max_uncertainty"` // permitted for the test system; null where none is known
	Tightened              float64  `json:"tightened"`       // by how much the limits are tightened because Uncertainty exceeds MaxUncertainty
	CarrierPowerDBm        *float64 `json:"carrier_power_dbm"`
	CorrectionDB           *float64 `json:"correction_db"` // path loss that was added at the place of the figure; null where it moves no single level
	Rule                   string   `json:"rule"`
	Note                   string   `json:"note"`
	Source                 string   `json:"source"` // of the core value
	ToleranceSource        string   `json:"tolerance_source"`
	Provenance             string   `json:"provenance"`

	NoiseFloor *NoiseFloor `json:"noise_floor,omitempty"` // the part of the analyzer's noise in the figure; absent where none was to be taken off

	LimitSet   string    `json:"limit_set,omitempty"` // name of the set in force; empty where the run names it
	Serial     string    `json:"serial,omitempty"`
	UnitType   string    `json:"unit_type,omitempty"`
	Build      string    `json:"build,omitempty"`
	RunID      string    `json:"run_id,omitempty"`
	CaseID     int64     `json:"case_id,omitempty"`
	Attempt    int       `json:"attempt,omitempty"`    // at the case in its run, from 1
	Superseded bool      `json:"superseded,omitempty"` // a later attempt counts instead
	MeasuredAt time.Time `json:"measured_at,omitzero"`
	Simulated  bool      `json:"simulated"`
}

// MarginUnit is the unit of a margin or an uncertainty beside a figure in unit:
// two levels in dBm, or in dBm/MHz, differ by dB.
func MarginUnit(unit string) string {
	if strings.HasPrefix(unit, "dBm") {
		return "dB"
	}
	return unit
}

// ResultQuery chooses figures. Empty fields choose nothing out; Limit zero means 1000.
type ResultQuery struct {
	Campaign, Run           string // ids
	Serial, Clause, Verdict string
	Limit                   int
}
