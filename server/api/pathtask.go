package api

import "time"

// PathTask is a signal path that is to be measured, or checked against its
// correction, and what became of that.
type PathTask struct {
	ID             string     `json:"id"`
	Kind           string     `json:"kind"` // measure, check
	Bench          string     `json:"bench"`
	Slot           int        `json:"slot"`
	Connector      int        `json:"connector"`
	FromHz         float64    `json:"from_hz"`
	ToHz           float64    `json:"to_hz"`
	Frequencies    int        `json:"frequencies"`
	LevelDBm       float64    `json:"level_dbm"` // of the generator
	AskedBy        string     `json:"asked_by"`
	AskedAt        time.Time  `json:"asked_at"`
	State          string     `json:"state"`    // queued, active, done, error, cancelled
	Error          string     `json:"error"`    // why it ended before it was done; empty: it did not
	EndedBy        string     `json:"ended_by"` // who cancelled it
	StartedAt      *time.Time `json:"started_at"`
	FinishedAt     *time.Time `json:"finished_at"`
	Doing          string     `json:"doing"`    // one line for people
	Readings       int        `json:"readings"` // taken so far
	ReadingsTotal  int        `json:"readings_total"`
	LeftS          float64    `json:"left_s"`      // of taking readings, as of updated_at; persons may take any time
	Passed         *bool      `json:"passed"`      // null unless a check is done
	ProposalID     string     `json:"proposal_id"` // the correction that was proposed; empty: none
	PromptID       string     `json:"prompt_id"`   // what a person is asked to do for it now; empty: nothing
	ProgramVersion string     `json:"program_version"`
	UpdatedAt      time.Time  `json:"updated_at"`
}

// PathTaskRow is what a task that is done measured at one frequency.
type PathTaskRow struct {
	FrequencyHz   float64   `json:"frequency_hz"`
	LossDB        float64   `json:"loss_db"`
	UncertaintyDB float64   `json:"uncertainty_db"` // expanded (k = 2)
	Budget        *Budget   `json:"budget"`
	InForceDB     *float64  `json:"in_force_db"`   // loss by the correction that is checked; null: nothing is
	DifferenceDB  *float64  `json:"difference_db"` // measured less in force; null: nothing is checked
	MeterDBm      []float64 `json:"meter_dbm"`     // generator at the power meter, each reading
	AnalyzerDBm   []float64 `json:"analyzer_dbm"`  // generator behind the path, each sweep
}

// PathTaskDetail is a task with what it measured and what persons did for it.
type PathTaskDetail struct {
	PathTask
	LimitDB *float64      `json:"limit_db"` // of a check; null: none
	Rows    []PathTaskRow `json:"rows"`
	Prompts []Prompt      `json:"prompts"`
}

// PathTaskRequest asks for a path to be measured or checked. Frequencies are at_hz,
// or from_hz to to_hz in so many points or steps; a check without any takes a few of
// its correction.
type PathTaskRequest struct {
	Kind      string    `json:"kind"`
	Bench     string    `json:"bench"`
	Slot      int       `json:"slot"`
	Connector int       `json:"connector"`
	FromHz    float64   `json:"from_hz,omitempty"`
	ToHz      float64   `json:"to_hz,omitempty"`
	Points    int       `json:"points,omitempty"`
	StepHz    float64   `json:"step_hz,omitempty"`
	AtHz      []float64 `json:"at_hz,omitempty"`
	LevelDBm  float64   `json:"level_dbm,omitempty"`
	By        string    `json:"by"`
}
