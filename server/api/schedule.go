package api

import (
	"context"
	"net/http"
	"time"
)

// Schedule is a campaign that recurs.
type Schedule struct {
	ID        string      `json:"id"`
	Name      string      `json:"name"`
	Timetable string      `json:"timetable"` // minute, hour, day of month, month, day of week
	Zone      string      `json:"zone"`      // time zone by name
	Plan      string      `json:"plan"`
	PlanHash  string      `json:"plan_hash"`
	Units     []string    `json:"units"` // empty, like types and benches: all
	Types     []string    `json:"types"`
	Benches   []string    `json:"benches"`
	Build     string      `json:"build"`
	Priority  string      `json:"priority"` // class: urgent, high, normal, low
	Overlap   string      `json:"overlap"`  // skip or queue, while its last campaign has not ended
	CatchUpS  float64     `json:"catch_up_s"`
	State     string      `json:"state"` // active, paused or removed
	Next      []time.Time `json:"next"`  // due times, in its zone
	RunningID string      `json:"running_id"`
	CreatedBy string      `json:"created_by"`
	CreatedAt time.Time   `json:"created_at"`
	ChangedBy string      `json:"changed_by"`
	ChangedAt *time.Time  `json:"changed_at"`
	Firings   int         `json:"firings"`
	Last      *Firing     `json:"last"` // null: it never fired
}

// Firing is what became of one time at which a schedule was due.
type Firing struct {
	DueAt      time.Time `json:"due_at"`
	At         time.Time `json:"at"`
	Outcome    string    `json:"outcome"` // fired, caught up, waiting, skipped, refused or missed
	Reason     string    `json:"reason"`
	Missed     int       `json:"missed"`   // due times before it that nothing became of
	AskedBy    string    `json:"asked_by"` // empty: the clock
	CampaignID string    `json:"campaign_id"`
}

// ScheduleDetail is a schedule with its newest firings, newest first.
type ScheduleDetail struct {
	Schedule
	History []Firing `json:"history"`
}

// ScheduleSpec asks for a schedule.
type ScheduleSpec struct {
	Name        string   `json:"name"`
	Timetable   string   `json:"timetable"`
	Zone        string   `json:"zone,omitempty"` // empty means UTC
	Plan        string   `json:"plan"`           // the YAML document itself
	Units       []string `json:"units,omitempty"`
	Types       []string `json:"types,omitempty"`
	Benches     []string `json:"benches,omitempty"`
	Build       string   `json:"build"`
	Priority    string   `json:"priority,omitempty"`   // class: urgent, high, normal, low; empty means normal
	Overlap     string   `json:"overlap,omitempty"`    // empty means skip
	CatchUpS    *float64 `json:"catch_up_s,omitempty"` // null means an hour
	RequestedBy string   `json:"requested_by,omitempty"`
}

// Schedules returns every schedule that is not removed, by name.
func (c *Client) Schedules(ctx context.Context) (list []Schedule, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "schedules")
}

// Schedule returns one schedule with its newest firings.
func (c *Client) Schedule(ctx context.Context, id string) (one ScheduleDetail, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "schedules", id)
}

// AddSchedule stores a schedule and returns it.
func (c *Client) AddSchedule(ctx context.Context, s ScheduleSpec) (made ScheduleDetail, err error) {
	return made, c.call(ctx, http.MethodPost, nil, s, &made, "schedules")
}

// ChangeSchedule pauses, resumes or removes a schedule, or runs it now ("pause",
// "resume", "remove", "run-now"), and returns what became of it. By says who
// wants it; empty is recorded as the API.
func (c *Client) ChangeSchedule(ctx context.Context, id, what, by string) (one ScheduleDetail, err error) {
	return one, c.call(ctx, http.MethodPost, values("by", by), nil, &one, "schedules", id, what)
}
