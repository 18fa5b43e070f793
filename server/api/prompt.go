package api

import "time"

// Prompt is something that a person was asked to do at a bench.
type Prompt struct {
	ID         string     `json:"id"`
	Bench      string     `json:"bench"`
	RunID      string     `json:"run_id"`       // empty: asked for no run
	PathTaskID string     `json:"path_task_id"` // empty: asked for none
	Serial     string     `json:"serial"`       // of the unit of the run; empty without one
	Kind       string     `json:"kind"`         // mount unit, move cable, confirm termination, connect generator
	Text       string     `json:"text"`         // what to do
	Cautions   []string   `json:"cautions"`
	Confirmed  []string   `json:"confirmed"` // what was confirmed before anybody was asked
	AskedAt    time.Time  `json:"asked_at"`
	ExpiresAt  time.Time  `json:"expires_at"`  // without an answer the work ends as an error then
	State      string     `json:"state"`       // open, done, cannot, timed out, withdrawn
	AnsweredBy string     `json:"answered_by"` // empty unless somebody answered
	Note       string     `json:"note"`        // of that person, or why it was withdrawn
	EndedAt    *time.Time `json:"ended_at"`    // null while it is open
}

// PromptAnswer is what a person says to a prompt.
type PromptAnswer struct {
	By     string `json:"by"`               // name
	Cannot bool   `json:"cannot,omitempty"` // it cannot be done; the note says why
	Note   string `json:"note,omitempty"`
}
