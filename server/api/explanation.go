package api

import (
	"context"
	"net/http"
	"strconv"
	"time"
)

// Explanation tells one verdict from the sweep to the decision: the figure with
// everything that was computed for it, the requirement in full, the same in
// words, and what later judgements made of it.
type Explanation struct {
	Result     Result            `json:"result"`
	Limit      *Limit            `json:"limit"`       // requirement in full; null where the inventory or the limit set of the run is not at hand
	LabVersion int64             `json:"lab_version"` // inventory version with the path correction
	Program    string            `json:"program_version"`
	Read       ReadBy            `json:"read"`
	Acceptance Acceptance        `json:"acceptance"`
	Steps      []ExplanationStep `json:"steps"` // in the order things happened
	Later      []LaterJudgement  `json:"later_judgements"`
	Curves     []Curve           `json:"curves"` // of its case
}

// ReadBy says with what and over what a figure was read.
type ReadBy struct {
	Bench       string   `json:"bench"`
	Analyzer    string   `json:"analyzer"`    // its answer to *IDN?; empty where it was not recorded
	Certificate string   `json:"certificate"` // of its calibration
	Traces      []Trace  `json:"traces"`
	AsReadDBm   *float64 `json:"as_read_dbm"` // level at the analyzer, its noise in it: value less correction_db; null for a figure that is no single level
}

// Acceptance is what the decision rule accepts: the limits in force, narrowed by
// the guard band, or the conformance probability that it asks for.
type Acceptance struct {
	Rule                string   `json:"rule"`       // its name
	GuardBand           float64  `json:"guard_band"` // in the unit of the margin; 0: none
	Lower               *float64 `json:"lower"`      // null where unbounded, or where a probability decides
	Upper               *float64 `json:"upper"`
	RequiredProbability *float64 `json:"required_probability"` // null where limits decide
}

// ExplanationStep is one step from the sweep to the verdict.
type ExplanationStep struct {
	Name  string            `json:"name"` // "reading", "correction", "figure", "uncertainty", "requirement", "decision" or "verdict"
	Title string            `json:"title"`
	Facts []ExplanationFact `json:"facts"`
}

// ExplanationFact is one thing that a step says, with its unit.
type ExplanationFact struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// LaterJudgement is the same figure as stored traces were judged again. The
// first verdict stays beside it.
type LaterJudgement struct {
	ID             string       `json:"id"`
	AskedBy        string       `json:"asked_by"`
	AskedAt        time.Time    `json:"asked_at"`
	Reason         string       `json:"reason"`
	LimitSet       string       `json:"limit_set"`
	Unit           string       `json:"unit"`
	Figure         JudgedFigure `json:"figure"` // all null where that limit set has no such limit
	Uncertainty    *float64     `json:"uncertainty"`
	Probability    *float64     `json:"probability"`
	CorrectionDB   *float64     `json:"correction_db"`
	Rule           string       `json:"rule"`
	Note           string       `json:"note"`
	VerdictChanged bool         `json:"verdict_changed"`
}

// Explanation tells how the verdict on one figure of a case came about; key is
// that of its requirement, for example "6.6.4/upper/2".
func (c *Client) Explanation(ctx context.Context, caseID int64, key string) (one Explanation, err error) {
	return one, c.call(ctx, http.MethodGet, values("key", key), nil, &one, "cases", strconv.FormatInt(caseID, 10), "explanation")
}
