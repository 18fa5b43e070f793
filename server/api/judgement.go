package api

import (
	"context"
	"net/http"
	"strconv"
	"time"
)

// Judgement is one time that stored traces were judged again, without a bench.
// What was judged first stays as it was.
type Judgement struct {
	ID              string     `json:"id"`
	AskedBy         string     `json:"asked_by"`
	AskedAt         time.Time  `json:"asked_at"`
	Reason          string     `json:"reason"`
	Simulated       bool       `json:"simulated"`
	LimitSet        string     `json:"limit_set"`   // with the files laid over it
	LimitsFile      string     `json:"limits_file"` // laid over the embedded set; empty: none
	Rule            string     `json:"rule"`        // as text; empty: the rule of each plan
	LabVersion      int64      `json:"lab_version"` // whose corrections count; 0: see lab_file
	LabFile         string     `json:"lab_file"`    // whose corrections count; empty, like lab_version: the version of each campaign
	ProgramVersion  string     `json:"program_version"`
	State           string     `json:"state"` // queued, active, done, error
	Error           string     `json:"error"` // why nothing more is judged
	StartedAt       *time.Time `json:"started_at"`
	FinishedAt      *time.Time `json:"finished_at"`
	Runs            int        `json:"runs"`
	Done            int        `json:"done"`
	Errors          int        `json:"errors"` // runs that could not be judged again
	Traces          int        `json:"traces"`
	TracesDone      int        `json:"traces_done"`
	Figures         int        `json:"figures"`
	Changed         int        `json:"changed"`          // figures with another value, limit, margin or verdict
	VerdictsChanged int        `json:"verdicts_changed"` // figures with another verdict
	RunsChanged     int        `json:"runs_changed"`     // runs with another verdict
	Failed          int        `json:"failed"`           // runs that fail by this judgement
}

// JudgementRun is one run of a judgement.
type JudgementRun struct {
	RunID           string `json:"run_id"`
	Serial          string `json:"serial"`
	UnitType        string `json:"unit_type"`
	Build           string `json:"build"`
	State           string `json:"state"` // waiting, done, error
	VerdictBefore   string `json:"verdict_before"`
	VerdictAfter    string `json:"verdict_after"` // empty until it was judged again
	Error           string `json:"error"`         // why it could not be
	Traces          int    `json:"traces"`
	Figures         int    `json:"figures"`
	Changed         int    `json:"changed"`
	VerdictsChanged int    `json:"verdicts_changed"`
	ProgramVersion  string `json:"program_version"`
}

// JudgementDetail is a judgement with its runs.
type JudgementDetail struct {
	Judgement
	RunList []JudgementRun `json:"run_list"`
}

// JudgementReport is what a judgement came to: itself with its counts and state,
// its runs, and the figures that it changed.
type JudgementReport struct {
	JudgementDetail
	Changes []JudgementChange `json:"changes"`
}

// JudgementRequest asks for stored traces to be judged again. Exactly one of
// runs, campaign and all says which; what is left out stays as it was.
type JudgementRequest struct {
	Runs       []string     `json:"runs,omitempty"`        // ended runs, their numbers
	Campaign   string       `json:"campaign,omitempty"`    // every ended run of this campaign
	All        bool         `json:"all,omitempty"`         // every ended run of the world of the inventory in force
	Reason     string       `json:"reason"`                // why; stored with the verdicts
	AskedBy    string       `json:"asked_by,omitempty"`    // empty is recorded as the API
	Limits     *NamedText   `json:"limits,omitempty"`      // a document of the lab over the limit set of the program; null: none
	Rule       *RuleRequest `json:"rule,omitempty"`        // null: the rule of each plan
	LabVersion int64        `json:"lab_version,omitempty"` // inventory version whose corrections count; 0: see lab
	Lab        *NamedText   `json:"lab,omitempty"`         // an inventory document whose corrections count; null, like lab_version 0: that of each campaign
}

// NamedText is a document and the name it is recorded under.
type NamedText struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// RuleRequest is a decision rule with the figure that it takes.
type RuleRequest struct {
	Name            string  `json:"name"`
	GuardBandFactor float64 `json:"guard_band_factor,omitempty"` // r of the guard band w = r U, for the guarded rules
	Probability     float64 `json:"probability,omitempty"`       // for the rule of that name
}

// CaseJudgement is what judging again made of one case.
type CaseJudgement struct {
	JudgementID     string    `json:"judgement_id"`
	AskedBy         string    `json:"asked_by"`
	AskedAt         time.Time `json:"asked_at"`
	Reason          string    `json:"reason"`
	LimitSet        string    `json:"limit_set"`
	Rule            string    `json:"rule"`    // empty: the rule of the plan
	Verdict         string    `json:"verdict"` // worst of its figures
	Figures         int       `json:"figures"`
	Changed         int       `json:"changed"`          // figures with another value, limit, margin or verdict
	VerdictsChanged int       `json:"verdicts_changed"` // figures with another verdict
}

// RunJudgement is what judging again made of one run.
type RunJudgement struct {
	JudgementID string    `json:"judgement_id"`
	AskedAt     time.Time `json:"asked_at"`
	Reason      string    `json:"reason"`
	LimitSet    string    `json:"limit_set"`
	State       string    `json:"state"` // waiting, done, error
	Verdict     string    `json:"verdict"`
	Error       string    `json:"error"`
	Changed     int       `json:"changed"` // figures
}

// JudgedFigure is a figure as it was judged at one time; everything is null,
// and the verdict empty, where the limit set of that time had no such limit.
type JudgedFigure struct {
	Value   *float64 `json:"value"`
	Lower   *float64 `json:"lower"`
	Upper   *float64 `json:"upper"`
	Margin  *float64 `json:"margin"`
	Verdict string   `json:"verdict"`
}

// JudgementChange is a figure that a judgement changed.
type JudgementChange struct {
	RunID          string       `json:"run_id"`
	Serial         string       `json:"serial"`
	UnitType       string       `json:"unit_type"`
	Build          string       `json:"build"`
	CaseID         int64        `json:"case_id"`
	Clause         string       `json:"clause"`
	Band           string       `json:"band"`
	RFChannel      string       `json:"rf_channel"`
	Connector      int          `json:"connector"`
	Key            string       `json:"key"` // of the limit
	Title          string       `json:"title"`
	Unit           string       `json:"unit"`
	Before         JudgedFigure `json:"before"`
	After          JudgedFigure `json:"after"`
	VerdictChanged bool         `json:"verdict_changed"` // a limit that only one of the two has counts as passed in the other
}

// Judgements returns what was judged again, newest first.
func (c *Client) Judgements(ctx context.Context) (list []Judgement, err error) {
	return list, c.call(ctx, http.MethodGet, nil, nil, &list, "judgements")
}

// Judgement returns one judgement with its runs.
func (c *Client) Judgement(ctx context.Context, id string) (one JudgementDetail, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "judgements", id)
}

// JudgeAgain asks for stored traces to be judged again and returns what was
// stored of the request; agents work on it.
func (c *Client) JudgeAgain(ctx context.Context, ask JudgementRequest) (made Judgement, err error) {
	return made, c.call(ctx, http.MethodPost, nil, ask, &made, "judgements")
}

// JudgementChanges returns the figures that a judgement changed, another verdict
// first; onlyVerdicts leaves out the rest, a limit of zero takes the server's.
func (c *Client) JudgementChanges(ctx context.Context, id string, onlyVerdicts bool, limit int) (list []JudgementChange, err error) {
	q := values()
	if onlyVerdicts {
		q.Set("verdicts", "true")
	}
	if limit > 0 {
		q.Set("limit", strconv.Itoa(limit))
	}
	return list, c.call(ctx, http.MethodGet, q, nil, &list, "judgements", id, "changes")
}
