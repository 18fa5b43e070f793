package api

import "time"

// Queue is what waits, and what to do so that it goes on.
type Queue struct {
	Runs     []QueuedRun    `json:"runs"`     // by bench and by its order, then what does not begin as things stand
	Mount    []MountPlace   `json:"mount"`    // units on the shelf, the next one to mount first
	Stranded []StrandedUnit `json:"stranded"` // units on the shelf that no bench can take now
}

// QueuedRun is a run that waits and what is known of its turn. Times are estimates.
type QueuedRun struct {
	RunID      string     `json:"run_id"`
	CampaignID string     `json:"campaign_id"`
	Campaign   string     `json:"campaign"`
	Serial     string     `json:"serial"`
	UnitType   string     `json:"unit_type"`
	Build      string     `json:"build"`
	Bench      string     `json:"bench"`    // empty: the unit is on the shelf
	Priority   string     `json:"priority"` // class: urgent, high, normal, low
	Requester  string     `json:"requester"`
	SetUp      string     `json:"set_up"` // band, cabling and front end that must stand on the bench
	QueuedAt   time.Time  `json:"queued_at"`
	Deadline   *time.Time `json:"deadline"`  // null: none
	Late       bool       `json:"late"`      // it ends after its deadline in half of the cases
	Position   int        `json:"position"`  // among what waits for the bench, from 1; 0: its turn does not come as things stand
	StartsAt   *time.Time `json:"starts_at"` // half of the times earlier; null: see waits
	EndsAt     *time.Time `json:"ends_at"`   // half of the times earlier
	EndsBy     *time.Time `json:"ends_by"`   // earlier in 95 of 100 cases
	Waits      string     `json:"waits"`     // why it waits
}

// MountPlace is a unit on the shelf and where a person should mount it.
type MountPlace struct {
	Serial   string    `json:"serial"`
	UnitType string    `json:"unit_type"`
	Bench    string    `json:"bench"`
	Slot     int       `json:"slot"`     // 0: as soon as one is free there
	TakeOut  string    `json:"take_out"` // unit that is in the slot, and that nothing waits for; empty: the slot is free
	SetUp    string    `json:"set_up"`
	Runs     int       `json:"runs"`      // of the unit that wait
	WantedAt time.Time `json:"wanted_at"` // about when the bench comes to it
}

// StrandedUnit is a unit on the shelf whose runs no bench can take now.
type StrandedUnit struct {
	Serial  string   `json:"serial"`
	Reasons []string `json:"reasons"` // what stands against each bench
}
