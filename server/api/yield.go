package api

// Yield is how many units of one type passed under one build, with the 95 %
// Wilson interval of both yields. A unit that never reached a verdict is
// counted in neither.
type Yield struct {
	Build     string   `json:"build"`
	UnitType  string   `json:"unit_type"`
	Units     int      `json:"units"`      // n: units that reached a verdict
	FirstPass Fraction `json:"first_pass"` // passed every case at the first attempt
	Final     Fraction `json:"final"`      // passed in the end
	Unjudged  int      `json:"unjudged"`   // units in a campaign that never reached a verdict
	Errors    int      `json:"errors"`     // runs that ended in an error
	Aborted   int      `json:"aborted"`    // runs that were cancelled or left cases out
	Simulated bool     `json:"simulated"`
}

// Fraction is a count out of n with the interval of the proportion behind it.
type Fraction struct {
	Count int      `json:"count"`
	Share *float64 `json:"share"` // null when n is zero: no data
	Low   *float64 `json:"low"`   // 95 % Wilson interval
	High  *float64 `json:"high"`

	ExactLow  *float64 `json:"exact_low"` // 95 % interval of Clopper and Pearson, which never covers less
	ExactHigh *float64 `json:"exact_high"`
}

// Change is what became of one clause of one unit between two builds: its
// verdict changed, or its worst margin moved by more than measuring again does.
type Change struct {
	Serial   string  `json:"serial"`
	UnitType string  `json:"unit_type"`
	Clause   string  `json:"clause"`
	BuildA   string  `json:"build_a"`
	BuildB   string  `json:"build_b"`
	VerdictA string  `json:"verdict_a"`
	VerdictB string  `json:"verdict_b"`
	MarginA  float64 `json:"margin_a"` // worst of the clause
	MarginB  float64 `json:"margin_b"`
	Unit     string  `json:"unit"`  // of the margins
	Worse    bool    `json:"worse"` // false: for the better
	RunA     string  `json:"run_a"`
	RunB     string  `json:"run_b"`
}

// YieldReport answers "does it comply" and "what got worse" together.
type YieldReport struct {
	Simulated bool     `json:"simulated"`
	Yields    []Yield  `json:"yields"`
	Builds    []string `json:"builds"`  // with results, oldest first
	BuildA    string   `json:"build_a"` // empty when there are fewer than two builds
	BuildB    string   `json:"build_b"`
	Changes   []Change `json:"changes"`

	Comparison Comparison `json:"comparison"` // of all units of both builds
}
