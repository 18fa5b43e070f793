package api

// Limit is one requirement that applies to a carrier: the minimum requirement
// of the core specification and the test tolerance, kept apart, and the test
// requirement that follows from both. Limits over frequency that slope have a
// second value of core and upper at offset_to_hz and are linear in decibels
// between; those in a sub-block gap are the power sum of the curves in sum.
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
	Provenance      string `json:"provenance"` // "spec", "memory", "lab" or several with "+"

	Sum      []LimitCurve `json:"sum"`      // upper is the power sum of these at every frequency: both sides of a sub-block gap; empty everywhere else
	Loosened []Loosening  `json:"loosened"` // figures in it that a file of the lab loosened
}

// LimitCurve is a level over frequency, linear in decibels between its points
// and held beyond them. Two points at one frequency are a step, where the lower
// level holds.
type LimitCurve struct {
	Points []LimitPoint `json:"points"` // rising by frequency
}

// LimitPoint is one corner of a curve.
type LimitPoint struct {
	FrequencyHz float64 `json:"frequency_hz"`
	LevelDBm    float64 `json:"level_dbm"`
}

// Loosening is a core figure, or a test tolerance, that a file of the lab
// replaced by one that allows more.
type Loosening struct {
	Part      string  `json:"part"`      // "core" or "tolerance"
	Figure    string  `json:"figure"`    // as the file names it
	Published float64 `json:"published"` // what it replaces, in Unit
	Value     float64 `json:"value"`     // in force, in Unit
	Unit      string  `json:"unit"`
	Reason    string  `json:"reason"` // in the words of the file
	Source    string  `json:"source"` // file, and place in what it goes by
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

// LimitList is the answer to a question for limits: the carriers they were
// computed for, the limit set in force, every requirement that applies, and for
// which clauses there is none.
type LimitList struct {
	LimitSet    string           `json:"limit_set"`
	Carriers    []Carrier        `json:"carriers"`     // rising by frequency
	RFBandwidth FrequencyRange   `json:"rf_bandwidth"` // between the outermost channel edges
	Gaps        []FrequencyRange `json:"gaps"`         // sub-block gaps between carriers, rising by frequency
	Limits      []Limit          `json:"limits"`
	Refused     []RefusedClause  `json:"refused"` // when no clause was asked for: those without limits here, and why
}

// FrequencyRange is a range of frequencies, ends included.
type FrequencyRange struct {
	FromHz float64 `json:"from_hz"`
	ToHz   float64 `json:"to_hz"`
}

// RefusedClause is a clause that has no limits for what was asked.
type RefusedClause struct {
	Clause string `json:"clause"`
	Reason string `json:"reason"`
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

// LimitQuery asks for the limits of one declared radio unit and its carriers, in
// the same words as the command line: "100MHz", "medium-range", "37dBm".
//
// Several carriers at once, rising by frequency, have a Bandwidth and a
// subcarrier spacing each, or one for all. They stand at an RF channel of the
// band, with Gaps between one and the next, or at the frequencies of Carrier. A
// file of limits of a lab's own is for the command line: it would have to be on
// the machine of the server.
type LimitQuery struct {
	Band              string
	Bandwidth, SCS    []string // one for each carrier, or one for all
	Gap               []string // between one carrier and the next; empty: channels touch
	Carrier           []string // frequency of each carrier, instead of RFChannel and Gap
	RFChannel         string   // of the RF bandwidth; empty: "M"
	TestConfiguration string   // "NRTC1", "NRTC2", "NRTC3"; empty: none of them

	Class, Category, Type string   // empty: "wide-area", "A", "1-C"
	CategoryBOption       string   // "1" or "2"; empty means 1
	RatedPower            string   // of one carrier, per connector
	TotalPower            string   // of several carriers together, per connector; empty: RatedPower
	TransmitUnits         string   // empty: 1
	Option                []string // declared options, such as "coexistence:n1"
	IntraSystemLevel      string   // type 1-H, 6.7 only
	Environment           string   // "normal" or "extreme"; empty: normal
	Modulation            string   // only this one of 6.5.3
	Clause                string   // empty: every clause
}

// LimitParameter is one parameter of a LimitQuery under its name on the wire;
// either One or Many points to its field.
type LimitParameter struct {
	Name string
	One  *string
	Many *[]string
}

// Parameters returns every parameter of the question, with pointers into it.
func (q *LimitQuery) Parameters() []LimitParameter {
	return []LimitParameter{
		{"band", &q.Band, nil}, {"bandwidth", nil, &q.Bandwidth}, {"scs", nil, &q.SCS}, {"gap", nil, &q.Gap},
		{"carrier", nil, &q.Carrier}, {"rf_channel", &q.RFChannel, nil}, {"test_configuration", &q.TestConfiguration, nil},
		{"class", &q.Class, nil}, {"category", &q.Category, nil}, {"category_b_option", &q.CategoryBOption, nil},
		{"type", &q.Type, nil}, {"rated_power", &q.RatedPower, nil}, {"total_power", &q.TotalPower, nil},
		{"transmit_units", &q.TransmitUnits, nil}, {"option", nil, &q.Option}, {"intra_system_level", &q.IntraSystemLevel, nil},
		{"environment", &q.Environment, nil}, {"modulation", &q.Modulation, nil}, {"clause", &q.Clause, nil},
	}
}
