package api

// Comparison is what two builds differ in as populations of units, beside the
// single units of YieldReport.Changes.
type Comparison struct {
	Level   float64           `json:"level"`   // confidence of every interval
	Yields  []YieldDifference `json:"yields"`  // by unit type; empty without two builds
	Margins []MarginShift     `json:"margins"` // by unit type and clause
}

// YieldDifference is how first-pass yield differs from build A to build B, over
// the plans that were run under both.
type YieldDifference struct {
	UnitType   string   `json:"unit_type"`
	UnitsA     int      `json:"units_a"`
	PassedA    int      `json:"passed_a"`
	UnitsB     int      `json:"units_b"`
	PassedB    int      `json:"passed_b"`
	Difference *float64 `json:"difference"` // share under B less that under A; null without units on a side
	Low        *float64 `json:"low"`        // Newcombe's hybrid-score interval
	High       *float64 `json:"high"`
	FisherP    *float64 `json:"fisher_p"` // Fisher's exact test, two-sided, as if all units were different ones
	Pairs      int      `json:"pairs"`    // units with a verdict under both builds for one plan
	Worse      int      `json:"worse"`    // of these, passed under A and not under B
	Better     int      `json:"better"`
	McNemarP   *float64 `json:"mcnemar_p"` // McNemar's exact test of worse and better; null without pairs
	Unseen     float64  `json:"unseen"`    // share of all units that may have got worse if none of the pairs did
	Remark     string   `json:"remark"`    // what may be claimed of it
}

// MarginShift is how the worst margin of a clause moved over the units of a type.
type MarginShift struct {
	UnitType string   `json:"unit_type"`
	Clause   string   `json:"clause"`
	Unit     string   `json:"unit"` // of the margins
	UnitsA   int      `json:"units_a"`
	UnitsB   int      `json:"units_b"`
	Pairs    int      `json:"pairs"`
	Worse    int      `json:"worse"`    // pairs whose margin shrank by material or more
	Better   int      `json:"better"`   // pairs whose margin grew by as much
	Method   string   `json:"method"`   // "signed ranks", "Mann–Whitney" or "too few to say"
	Shift    *float64 `json:"shift"`    // typical change (Hodges–Lehmann), negative for the worse; null where nothing was tested
	Low      *float64 `json:"low"`      // of its interval; null for no end
	High     *float64 `json:"high"`     // the same
	P        *float64 `json:"p"`        // two-sided, of this clause alone
	Q        *float64 `json:"q"`        // false-discovery rate over all clauses (Benjamini–Hochberg)
	Material float64  `json:"material"` // change from which it is worth reporting
	LeastB   *float64 `json:"least_b"`  // least margin of any unit under B
	Finding  string   `json:"finding"`  // "worse", "better", "typical unit unchanged", "undecided" or "too few units"
}

// BenchReport tells how well benches agree, and where that cannot be told, what
// is missing.
type BenchReport struct {
	Simulated bool         `json:"simulated"`
	Studies   []BenchStudy `json:"studies"`
	Missing   []string     `json:"missing"`
}

// BenchStudy is a gauge study of repeatability and reproducibility with benches
// as appraisers, of the figure of a clause that measuring spreads most.
type BenchStudy struct {
	Build           string           `json:"build"`
	UnitType        string           `json:"unit_type"`
	Clause          string           `json:"clause"`
	Case            string           `json:"case"`
	Requirement     string           `json:"requirement"`
	Figures         int              `json:"figures"` // of the clause that were studied
	Unit            string           `json:"unit"`    // of the deviations
	Units           []string         `json:"units"`
	Repeats         int              `json:"repeats"`         // of each unit on each bench
	Repeatability   float64          `json:"repeatability"`   // standard deviation of one unit on one bench
	Reproducibility float64          `json:"reproducibility"` // standard deviation that changing the bench adds
	Measuring       float64          `json:"measuring"`       // standard deviation of both together
	BetweenUnits    float64          `json:"between_units"`   // standard deviation of the units themselves
	StudyVariation  float64          `json:"study_variation"` // measuring over all that is seen, 0 to 1
	Contribution    float64          `json:"contribution"`    // the same as a share of variances
	Categories      int              `json:"categories"`      // classes of units that can be told apart
	Pooled          bool             `json:"pooled"`          // unit × bench was taken into the repeatability
	Benches         []BenchDeviation `json:"benches"`
}

// BenchDeviation is how far a bench reads from the mean of all.
type BenchDeviation struct {
	Bench     string  `json:"bench"`
	Deviation float64 `json:"deviation"` // positive: it reads higher
}
