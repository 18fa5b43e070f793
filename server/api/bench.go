package api

import "time"

// Bench is one measuring place and what it does now.
type Bench struct {
	Name        string       `json:"name"`
	Activity    string       `json:"activity"`  // offline, taking over, idle, bring-up, measuring, waiting, safe, alarm
	Doing       string       `json:"doing"`     // one line for people
	Hold        string       `json:"hold"`      // why it takes no work; empty: free to work
	Alarm       string       `json:"alarm"`     // what could not be confirmed; empty: none
	PathsOff    string       `json:"paths_off"` // paths that may be off their connectors, such as "slot 1 connector 2": to release the bench a person says that they are back; empty: none
	Now         *BenchWork   `json:"now"`
	Next        *BenchWork   `json:"next"`
	Prompt      *Prompt      `json:"prompt"`    // what a person is asked to do now; null: nothing
	Waiting     int          `json:"waiting"`   // runs that wait for this bench
	Takeovers   int          `json:"takeovers"` // of its lease from a lost holder, within the last hour
	Flapping    bool         `json:"flapping"`  // so many that it gets less work
	Lease       *Lease       `json:"lease"`     // null: nobody drives it
	Calibration *Calibration `json:"calibration"`
	Golden      *GoldenUnit  `json:"golden"` // null: the bench has no golden unit
	Simulated   bool         `json:"simulated"`
	UpdatedAt   time.Time    `json:"updated_at"`
}

// BenchWork is a run as a bench sees it.
type BenchWork struct {
	RunID      string     `json:"run_id"`
	CampaignID string     `json:"campaign_id"`
	Campaign   string     `json:"campaign"`
	Serial     string     `json:"serial"`
	UnitType   string     `json:"unit_type"`
	Build      string     `json:"build"`
	Segment    string     `json:"segment"` // carrier and connector being measured; empty before the first
	CasesDone  int        `json:"cases_done"`
	CasesTotal int        `json:"cases_total"`
	StartedAt  *time.Time `json:"started_at"`
}

// Lease says which agent drives a bench.
type Lease struct {
	Holder string `json:"holder"`
	Token  int64  `json:"token"`  // grows with every holder
	Drains bool   `json:"drains"` // the agent stops: it begins nothing new
}

// GoldenUnit is the unit on a bench whose runs tell of the bench, and when it is
// to be measured again.
type GoldenUnit struct {
	Serial  string     `json:"serial"`
	Due     *time.Time `json:"due"`     // null: without a schedule, or never measured
	Overdue bool       `json:"overdue"` // with a schedule and never measured too
}

// Calibration is the instrument or path of a bench whose validity ends first.
type Calibration struct {
	What     string `json:"what"` // instrument or path
	Due      string `json:"due"`  // last valid day, YYYY-MM-DD
	DaysLeft int    `json:"days_left"`
}
