package api

import "time"

// Campaign is one plan for many radio units under one build, submitted once.
type Campaign struct {
	ID          string     `json:"id"`
	Name        string     `json:"name"`
	State       string     `json:"state"` // queued, active, done, cancelled
	Plan        string     `json:"plan"`
	PlanHash    string     `json:"plan_hash"`
	LabVersion  int64      `json:"lab_version"`
	LimitSet    string     `json:"limit_set"`
	Build       string     `json:"build"`
	Simulated   bool       `json:"simulated"`
	Priority    string     `json:"priority"` // class: urgent, high, normal, low
	Deadline    *time.Time `json:"deadline"` // until when it should be done; null: none
	RequestedBy string     `json:"requested_by"`
	SubmittedAt time.Time  `json:"submitted_at"`
	CancelledBy string     `json:"cancelled_by"`
	CancelledAt *time.Time `json:"cancelled_at"`
	FinishedAt  *time.Time `json:"finished_at"`
	EndsAt      *time.Time `json:"ends_at"` // estimate, half of the times earlier; null when done or unknown
	EndsBy      *time.Time `json:"ends_by"` // estimate, earlier in 95 of 100 cases; null when done or unknown
	Progress    Progress   `json:"progress"`
}

// Progress counts the units and cases of a campaign. Passed, Failed and Errors
// count closed units; only a valid measurement passes or fails.
type Progress struct {
	Units      int `json:"units"`
	Queued     int `json:"queued"`
	Active     int `json:"active"`
	Closed     int `json:"closed"`
	Passed     int `json:"passed"`
	Failed     int `json:"failed"`
	Errors     int `json:"errors"`
	CasesDone  int `json:"cases_done"`
	CasesTotal int `json:"cases_total"`
}

// Share is the part of the cases that is done, 0 to 1.
func (p Progress) Share() float64 {
	if p.CasesTotal == 0 {
		return 0
	}
	return float64(p.CasesDone) / float64(p.CasesTotal)
}

// Submission asks for a campaign: a plan document for units under a build.
type Submission struct {
	Name        string   `json:"name,omitempty"`    // empty takes the title of the plan
	Plan        string   `json:"plan"`              // the YAML document itself
	Units       []string `json:"units,omitempty"`   // serial numbers; empty means every unit of Types
	Types       []string `json:"types,omitempty"`   // radio unit types; empty means every type
	Benches     []string `json:"benches,omitempty"` // where the units are mounted; empty means every bench
	Build       string   `json:"build"`
	Priority    string   `json:"priority,omitempty"` // class: urgent, high, normal, low; empty means normal
	RequestedBy string   `json:"requested_by,omitempty"`
	// IdempotencyKey is sent as a header; empty: none.
	IdempotencyKey string `json:"-"`
	// Deadline is until when all of it should be done; null: none.
	Deadline *time.Time `json:"deadline,omitempty"`
}

func (s Submission) key() string { return s.IdempotencyKey }
