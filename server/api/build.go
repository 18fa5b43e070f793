package api

import (
	"context"
	"net/http"
	"time"
)

// Build is a build that was announced for a type of radio unit, with its stages.
type Build struct {
	ID          string       `json:"id"`
	Build       string       `json:"build"`
	UnitType    string       `json:"unit_type"`
	Priority    string       `json:"priority"` // class: urgent, high, normal, low
	AnnouncedBy string       `json:"announced_by"`
	AnnouncedAt time.Time    `json:"announced_at"`
	State       string       `json:"state"` // active, passed or stopped
	EndedAt     *time.Time   `json:"ended_at"`
	Stages      []BuildStage `json:"stages"`
}

// BuildStage is one stage of an announced build: a campaign.
type BuildStage struct {
	Number     int        `json:"number"`
	Name       string     `json:"name"` // smoke or full
	Plan       string     `json:"plan"`
	State      string     `json:"state"`  // waiting, active, passed, failed or not started
	Reason     string     `json:"reason"` // why it failed or was not started
	CampaignID string     `json:"campaign_id"`
	StartedAt  *time.Time `json:"started_at"`
	EndedAt    *time.Time `json:"ended_at"`
}

// BuildAnnouncement says that there is a new build for a type.
type BuildAnnouncement struct {
	Build          string `json:"build"`
	UnitType       string `json:"unit_type"`
	Priority       string `json:"priority,omitempty"` // class: urgent, high, normal, low; empty means normal
	RequestedBy    string `json:"requested_by,omitempty"`
	IdempotencyKey string `json:"-"` // sent as a header; empty: none
}

func (a BuildAnnouncement) key() string { return a.IdempotencyKey }

// StagePlan is the plan of one stage for a type.
type StagePlan struct {
	UnitType string    `json:"unit_type"`
	Stage    string    `json:"stage"` // smoke or full
	Plan     string    `json:"plan"`
	PlanHash string    `json:"plan_hash"`
	SetBy    string    `json:"set_by"`
	SetAt    time.Time `json:"set_at"`
}

// StagePlanSpec sets the plan of one stage for a type.
type StagePlanSpec struct {
	UnitType    string `json:"unit_type"`
	Stage       string `json:"stage"`
	Plan        string `json:"plan"` // the YAML document itself
	RequestedBy string `json:"requested_by,omitempty"`
}

// Builds returns the announced builds, newest first.
func (c *Client) Builds(ctx context.Context) (list []Build, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "builds")
}

// Build returns one announced build.
func (c *Client) Build(ctx context.Context, id string) (one Build, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "builds", id)
}

// AnnounceBuild starts the stages of a new build and returns them. With an
// idempotency key, sending it again returns what it returned first.
func (c *Client) AnnounceBuild(ctx context.Context, a BuildAnnouncement) (made Build, err error) {
	return made, c.call(ctx, http.MethodPost, nil, a, &made, "builds")
}

// StagePlans returns the plans of the stages, by type.
func (c *Client) StagePlans(ctx context.Context) (list []StagePlan, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "stage-plans")
}

// SetStagePlan sets the plan of a stage and returns all of them.
func (c *Client) SetStagePlan(ctx context.Context, s StagePlanSpec) (list []StagePlan, err error) {
	return list, c.call(ctx, http.MethodPost, nil, s, &list, "stage-plans")
}
