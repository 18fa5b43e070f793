package api

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// FigureQuery selects figures; an empty field selects all.
type FigureQuery struct {
	Build, UnitType, Serial, Bench string
	Clause, Requirement, Condition string
	Connector                      int
}

// CapabilityReport tells how much room the units of every type leave to each
// limit, compared with how much they differ.
type CapabilityReport struct {
	Simulated    bool         `json:"simulated"`
	Level        float64      `json:"level"` // confidence of every interval
	Capabilities []Capability `json:"capabilities"`
}

// Capability is the room that a population leaves to a limit, at the condition
// with the least of it unless all conditions were asked for.
type Capability struct {
	Build        string            `json:"build"`
	UnitType     string            `json:"unit_type"`
	Clause       string            `json:"clause"`
	Requirement  string            `json:"requirement"` // key of the limit
	Title        string            `json:"title"`
	Condition    string            `json:"condition"`
	Conditions   int               `json:"conditions"`   // of the limit that have readings
	Margin       bool              `json:"margin"`       // readings are margins to one limit, positive inside; false: the figure itself
	Unit         string            `json:"unit"`         // of the readings
	Lower        *float64          `json:"lower"`        // what a reading is held against: 0 for a margin
	Upper        *float64          `json:"upper"`        // null where no limit applies above
	Transmitters int               `json:"transmitters"` // n: connectors of units, each at its first judged attempt
	Units        int               `json:"units"`        // that they belong to
	Mean         float64           `json:"mean"`         // of the readings
	SD           *float64          `json:"sd"`           // of all readings; null for a single one
	Least        *float64          `json:"least"`        // least room to a limit, negative outside
	Within       CapabilityIndex   `json:"within"`       // Cp and Cpk, of the spread from one reading to the next
	Overall      CapabilityIndex   `json:"overall"`      // the same of the spread of all readings, also called Pp and Ppk
	Outside      *float64          `json:"outside"`      // share of a normal process beyond a limit
	BenchP       *float64          `json:"bench_p"`      // how often chance alone parts the means of benches so much
	Uncertainty  *float64          `json:"uncertainty"`  // median standard uncertainty of a reading
	Histogram    []Bin             `json:"histogram"`    // equal widths, rising
	Outliers     []OutlyingReading `json:"outliers"`     // for people to look at; they are counted like all others
}

// CapabilityIndex is a capability index with its interval, or why there is none.
type CapabilityIndex struct {
	Sigma   *float64 `json:"sigma"` // standard deviation that the index is of
	Cp      *float64 `json:"cp"`    // null with a limit on one side only
	Cpk     *float64 `json:"cpk"`
	Low     *float64 `json:"low"` // of the interval of Cpk
	High    *float64 `json:"high"`
	Refused string   `json:"refused"` // why there is no index; empty: there is one
}

// Bin counts the readings from one value up to below the next; the last bin
// holds its upper end.
type Bin struct {
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Count int     `json:"count"`
}

// OutlyingReading is a reading that stands apart from the others.
type OutlyingReading struct {
	Serial     string    `json:"serial"`
	Bench      string    `json:"bench"`
	Connector  int       `json:"connector"`
	CaseID     int64     `json:"case_id"`
	MeasuredAt time.Time `json:"measured_at"`
	Value      float64   `json:"value"`
	Distance   float64   `json:"distance"` // from the mean, in standard deviations, without those farther out
	Critical   float64   `json:"critical"` // that it exceeds
	Robust     *float64  `json:"robust"`   // from the median, in scaled median absolute deviations
}

// FigureChart is one figure over time with the limits that a steady process
// keeps within; they are no test limits.
type FigureChart struct {
	Simulated   bool         `json:"simulated"`
	UnitType    string       `json:"unit_type"`
	Clause      string       `json:"clause"`
	Requirement string       `json:"requirement"`
	Title       string       `json:"title"`
	Condition   string       `json:"condition"`
	Margin      bool         `json:"margin"` // readings are margins to one limit; false: the figure itself
	Unit        string       `json:"unit"`
	Centre      float64      `json:"centre"`
	Lower       float64      `json:"lower"`
	Upper       float64      `json:"upper"`
	Sigma       float64      `json:"sigma"`       // from the mean moving range
	RangeMean   float64      `json:"range_mean"`  // mean difference from one reading to the next
	RangeUpper  float64      `json:"range_upper"` // that a steady process keeps below
	Provisional bool         `json:"provisional"` // fewer than 20 readings: the limits will still move
	Points      []ChartPoint `json:"points"`      // in the order they were taken
}

// ChartPoint is one reading of a chart.
type ChartPoint struct {
	Serial     string    `json:"serial"`
	Build      string    `json:"build"`
	Bench      string    `json:"bench"`
	Connector  int       `json:"connector"`
	CaseID     int64     `json:"case_id"`
	MeasuredAt time.Time `json:"measured_at"`
	Value      float64   `json:"value"`
	Signals    []int     `json:"signals"` // zone rules 1 to 4 that the point completes; empty: none
}

// RiskReport tells how often decision rules err over a whole production.
type RiskReport struct {
	Simulated     bool       `json:"simulated"`
	Of            string     `json:"of"` // figure that the spread was observed of; empty where it was given
	Unit          string     `json:"unit"`
	Mean          float64    `json:"mean"`
	SD            float64    `json:"sd"`
	Uncertainty   float64    `json:"uncertainty"` // standard
	Lower         *float64   `json:"lower"`
	Upper         *float64   `json:"upper"`
	Nonconforming float64    `json:"nonconforming"` // share of all units outside the limits
	Rules         []RuleRisk `json:"rules"`
	Figures       int        `json:"figures"`    // like this one that a unit is judged at
	Wanted        float64    `json:"wanted"`     // share of all units that may be wrongly accepted
	GuardBand     *float64   `json:"guard_band"` // that keeps to it; null: none does
	Factor        *float64   `json:"factor"`     // the same as a multiple of the expanded uncertainty
	Refused       string     `json:"refused"`    // why none does
}

// RuleRisk is what one rule makes of a production.
type RuleRisk struct {
	Rule             string   `json:"rule"`
	GuardBand        float64  `json:"guard_band"`
	Lower            *float64 `json:"lower"` // of what is accepted
	Upper            *float64 `json:"upper"`
	FalseAccept      float64  `json:"false_accept"`       // share of all units: outside and accepted, the consumer's risk
	GoodUnitRejected *float64 `json:"good_unit_rejected"` // how often a unit that conforms at all of its figures is rejected at one at least
	FalseReject      float64  `json:"false_reject"`       // share of all units: inside and rejected, the producer's risk
}

// RiskQuery says of which production the risks are: of the figure that the
// FigureQuery selects, or of figures that are given. A rule is its name and its
// figure, for example "guarded:0.83"; none means those in common use.
type RiskQuery struct {
	FigureQuery
	Mean, SD, Uncertainty, Lower, Upper *float64
	Rules                               []string
	Wanted                              float64
	Figures                             int // that a unit is judged at; zero means one
}

// Capabilities returns how much room units leave to limits; with all every
// condition, otherwise of each limit the one with the least room.
func (c *Client) Capabilities(ctx context.Context, q FigureQuery, all bool) (report CapabilityReport, err error) {
	v := q.values()
	if all {
		v.Set("all", "true")
	}
	return report, c.call(ctx, http.MethodGet, v, nil, &report, "yield", "capability")
}

// Chart returns one figure over time.
func (c *Client) Chart(ctx context.Context, q FigureQuery) (chart FigureChart, err error) {
	return chart, c.call(ctx, http.MethodGet, q.values(), nil, &chart, "yield", "chart")
}

// Risks returns how often decision rules err.
func (c *Client) Risks(ctx context.Context, q RiskQuery) (report RiskReport, err error) {
	v := q.values()
	for name, given := range map[string]*float64{"mean": q.Mean, "sd": q.SD, "uncertainty": q.Uncertainty, "lower": q.Lower, "upper": q.Upper} {
		if given != nil {
			v.Set(name, strconv.FormatFloat(*given, 'g', -1, 64))
		}
	}
	for _, rule := range q.Rules {
		v.Add("rule", rule)
	}
	if q.Wanted != 0 {
		v.Set("wanted", strconv.FormatFloat(q.Wanted, 'g', -1, 64))
	}
	if q.Figures != 0 {
		v.Set("figures", strconv.Itoa(q.Figures))
	}
	return report, c.call(ctx, http.MethodGet, v, nil, &report, "yield", "risk")
}

func (q FigureQuery) values() url.Values {
	v := values("build", q.Build, "type", q.UnitType, "unit", q.Serial, "bench", q.Bench,
		"clause", q.Clause, "requirement", q.Requirement, "condition", q.Condition)
	if q.Connector != 0 {
		v.Set("connector", strconv.Itoa(q.Connector))
	}
	return v
}
