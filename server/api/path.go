package api

import "time"

// Path is a signal path of a bench with the correction in force.
type Path struct {
	Bench      string   `json:"bench"`
	Slot       int      `json:"slot"`
	Connector  int      `json:"connector"`
	Elements   []string `json:"elements"`    // cables, pads and adapters by name
	Correction string   `json:"correction"`  // id of the approved one in force; empty: that of the inventory file
	MeasuredBy string   `json:"measured_by"` // empty unless approved
	ApprovedBy string   `json:"approved_by"` // empty unless approved
	Analyzer   string   `json:"analyzer"`    // that is contained in losses and uncertainty; empty: none
	ValidUntil string   `json:"valid_until"` // last good day
	Days       int      `json:"days"`        // until then from today; negative: it has run out
	Stale      string   `json:"stale"`       // why the correction does not hold any more, and what to do; empty: it does
	Rows       int      `json:"rows"`
	FromHz     float64  `json:"from_hz"`
	ToHz       float64  `json:"to_hz"`
	Open       int      `json:"open"` // proposals that wait for a decision
}

// PathCorrection is a correction of a path that was proposed and what became of it.
type PathCorrection struct {
	ID         string          `json:"id"`
	Bench      string          `json:"bench"`
	Slot       int             `json:"slot"`
	Connector  int             `json:"connector"`
	Elements   []string        `json:"elements"` // of the path when it was measured
	Analyzer   string          `json:"analyzer"` // that it was measured with as a whole; empty: the path alone
	Source     string          `json:"source"`   // measured, imported, checked
	Origin     string          `json:"origin"`   // file, or what measured it
	MeasuredBy string          `json:"measured_by"`
	MeasuredAt time.Time       `json:"measured_at"`
	Simulated  bool            `json:"simulated"`
	ProposedAt time.Time       `json:"proposed_at"`
	State      string          `json:"state"`       // proposed, approved, rejected, superseded
	DecidedBy  string          `json:"decided_by"`  // empty while it is proposed
	DecidedAt  *time.Time      `json:"decided_at"`  // null while it is proposed
	Reason     string          `json:"reason"`      // of the decision
	ValidUntil string          `json:"valid_until"` // last good day; empty unless approved
	Rows       int             `json:"rows"`
	FromHz     float64         `json:"from_hz"`
	ToHz       float64         `json:"to_hz"`
	Narrower   bool            `json:"narrower"` // it covers less than the one it is compared with
	Disagree   int             `json:"disagree"` // frequencies that differ by more than both uncertainties allow
	Greatest   *PathDifference `json:"greatest"` // by ratio; null: no frequency in common
}

// PathDifference is one frequency of a correction and of the one it is compared with:
// the one in force, or once it is decided the one before.
type PathDifference struct {
	FrequencyHz   float64 `json:"frequency_hz"`
	BeforeDB      float64 `json:"before_db"`
	AfterDB       float64 `json:"after_db"`
	DifferenceDB  float64 `json:"difference_db"`  // after less before
	UncertaintyDB float64 `json:"uncertainty_db"` // expanded (k = 2), of the difference
	Ratio         float64 `json:"ratio"`          // difference over its uncertainty; beyond 1 they disagree
}

// PathRow is one row of a correction.
type PathRow struct {
	FrequencyHz   float64 `json:"frequency_hz"`
	LossDB        float64 `json:"loss_db"`
	UncertaintyDB float64 `json:"uncertainty_db"` // expanded (k = 2)
	Budget        *Budget `json:"budget"`         // null where it is not known
}

// PathCorrectionDetail is a correction with its rows and every difference.
type PathCorrectionDetail struct {
	PathCorrection
	Table       []PathRow        `json:"table"`
	Differences []PathDifference `json:"differences"`
}

// PathApproval puts a proposed correction in force.
type PathApproval struct {
	By         string `json:"by"`                    // name, another one than that of who measured
	ValidUntil string `json:"valid_until,omitempty"` // last good day, correction_days of the inventory after it was measured at most; empty: then
	Narrower   bool   `json:"narrower,omitempty"`    // it may cover less than the one in force
	Reason     string `json:"reason,omitempty"`      // needed where it disagrees with the one in force
}

// PathRejection ends a proposed correction without it ever counting.
type PathRejection struct {
	By     string `json:"by"` // name
	Reason string `json:"reason"`
}
