package api

import (
	"encoding/json"
	"time"
)

// Event is one line of the outbox: something changed. ID grows; a reader that
// remembers the last one misses nothing.
type Event struct {
	ID         int64           `json:"id"`
	At         time.Time       `json:"at"`
	Kind       string          `json:"kind"` // bench, campaign, run, segment, prompt, lab, judgement
	CampaignID string          `json:"campaign_id"`
	RunID      string          `json:"run_id"`
	Bench      string          `json:"bench"`
	Body       json.RawMessage `json:"body"`
}
