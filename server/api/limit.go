package api

// Limit is one requirement that applies to a carrier: the minimum requirement
// of the core specification and the test tolerance, kept apart, and the test
// requirement that follows from both. Limits over frequency that slope have a
// second value of core and upper at offset_to_hz and are linear in decibels
// between.
type Limit struct {
	Key      string `json:"key"`      // unique within one carrier, e.g. "6.6.4/upper/2"
	Clause   string `json:"clause"`   // of TS 38.141-1
	Title    string `json:"title"`    // for people
	Quantity string `json:"quantity"` // e.g. "adjacent channel leakage ratio"
	Side     string `json:"side"`     // "lower", "upper" or empty

	Core           float64           `json:"core"`            // core requirement in Unit, at offset_from_hz
	CoreTo         *float64          `json:"core_to"`         // same at offset_to_hz; null for a flat limit
	Tolerance      float64           `json:"tolerance"`       // test tolerance in Unit (dB beside dBm)
	ToleranceKnown bool              `json:"tolerance_known"` // false: the core value is used as it stands
	Lower          *float64          `json:"lower"`           // test requirement; null where unbounded
	Upper          *float64          `json:"upper"`           // test requirement; null where unbounded
	UpperTo        *float64          `json:"upper_to"`        // upper at offset_to_hz; null for a flat limit
	Unit           string            `json:"unit"`            // "dBm", "dB" or "Hz"
	Alternative    *AlternativeLimit `json:"alternative"`

	MeasurementBandwidthHz *float64 `json:"measurement_bandwidth_hz"` // filter of the limit; null where it has none
	OffsetFromHz           *float64 `json:"offset_from_hz"`           // from the channel edge (6.6.4) or the carrier (6.6.3)
	OffsetToHz             *float64 `json:"offset_to_hz"`
	FrequencyFromHz        *float64 `json:"frequency_from_hz"` // absolute span of filter centres
	FrequencyToHz          *float64 `json:"frequency_to_hz"`

	CoreSource      string `json:"core_source"`
	ToleranceSource string `json:"tolerance_source"`
	Provenance      string `json:"provenance"` // "spec", "memory" or "spec+memory"
}

// AlternativeLimit is the absolute limit beside a relative one: of the two the
// less stringent applies.
type AlternativeLimit struct {
	Core        float64 `json:"core"`        // dBm over BandwidthHz
	Tolerance   float64 `json:"tolerance"`   // dB
	PerMHz      float64 `json:"dbm_per_mhz"` // the core limit as published
	BandwidthHz float64 `json:"bandwidth_hz"`
	Source      string  `json:"source"` // clause and version
}

// LimitList is the answer to a question for limits: the carrier they were
// computed for, the limit set in force, and every requirement that applies.
type LimitList struct {
	LimitSet string  `json:"limit_set"`
	Carrier  Carrier `json:"carrier"`
	Limits   []Limit `json:"limits"`
}

// Carrier is one NR carrier in its place in a band.
type Carrier struct {
	Band           string  `json:"band"`
	RFChannel      string  `json:"rf_channel"`
	NREF           int     `json:"nref"` // NR-ARFCN
	CarrierHz      float64 `json:"carrier_hz"`
	BandwidthHz    float64 `json:"bandwidth_hz"`
	SCSHz          float64 `json:"scs_hz"`
	ResourceBlocks int     `json:"resource_blocks"`
	ConfiguredHz   float64 `json:"configured_hz"` // transmission bandwidth configuration
}

// LimitQuery asks for the limits of one declared radio unit and carrier, in the
// same words as the command line: "100MHz", "medium-range", "37dBm".
type LimitQuery struct {
	Band, Bandwidth, SCS  string
	Class, Category, Type string // empty: "wide-area", "A", "1-C"
	CategoryBOption       string // "1" or "2"; empty means 1
	RatedPower, RFChannel string // RFChannel empty: "M"
	TransmitUnits, Clause string // empty: 1 unit, every clause
}
