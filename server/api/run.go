package api

import (
	"encoding/json"
	"time"
)

// Run is one radio unit on one bench, once.
type Run struct {
	ID         string          `json:"id"`
	CampaignID string          `json:"campaign_id"`
	Serial     string          `json:"serial"`
	UnitType   string          `json:"unit_type"`
	Build      string          `json:"build"`
	Attempt    int             `json:"attempt"`
	Repeats    string          `json:"repeats"`       // run this one repeats; empty for the first attempt
	RepeatedBy string          `json:"repeated_by"`   // attempt after this one; empty: none
	State      string          `json:"state"`         // queued, active, done, error, cancelled
	Verdict    string          `json:"verdict"`       // empty until closed
	First      string          `json:"first_verdict"` // without what was measured again after a fail; first-pass yield counts it
	Retested   int             `json:"retested"`      // cases that were measured again after a fail
	Bench      string          `json:"bench"`
	Blocked    string          `json:"blocked"` // why no bench can take it now
	Paused     string          `json:"paused"`  // why it waits although it has begun; empty: it does not
	DueAt      *time.Time      `json:"due_at"`  // it does not go on before; null: as soon as its turn comes
	Error      string          `json:"error"`
	CasesDone  int             `json:"cases_done"`
	CasesTotal int             `json:"cases_total"`
	Simulated  bool            `json:"simulated"`
	QueuedAt   time.Time       `json:"queued_at"`
	StartedAt  *time.Time      `json:"started_at"`
	FinishedAt *time.Time      `json:"finished_at"`
	Clauses    []ClauseSummary `json:"clauses"`
}

// ClauseSummary is what one clause came to in one run.
type ClauseSummary struct {
	Clause      string   `json:"clause"`
	Cases       int      `json:"cases"`
	Passed      int      `json:"passed"`
	Failed      int      `json:"failed"`
	Errors      int      `json:"errors"`
	Verdict     string   `json:"verdict"`
	WorstMargin *float64 `json:"worst_margin"` // null when nothing was judged
	Unit        string   `json:"unit"`         // of the margin
}

// RunDetail is a run with its provenance and every case.
type RunDetail struct {
	Run
	Provenance Provenance     `json:"provenance"`
	Cases      []Case         `json:"cases"`
	Judgements []RunJudgement `json:"judgements"` // of its traces judged again, newest first
	Steps      []Step         `json:"steps"`      // of bring-up and retune, in order
	Prompts    []Prompt       `json:"prompts"`    // what persons were asked to do for it, in order
	Evidence   Evidence       `json:"evidence"`
}

// Evidence is what is left of the traces and transcripts of a run. Verdicts and
// figures always stay.
type Evidence struct {
	State string `json:"state"` // complete, thinned
	Held  bool   `json:"held"`  // kept from being thinned until it is released
	Text  string `json:"text"`  // what went, when and under which policy; who holds it and why
}

// Step is one step of bring-up or retune of the unit, read back.
type Step struct {
	Segment   int       `json:"segment"`
	Attempt   int       `json:"attempt"` // of the segment
	Number    int       `json:"number"`  // within the attempt, from 1
	Name      string    `json:"name"`
	Outcome   string    `json:"outcome"` // done, by the unit itself, failed
	Detail    string    `json:"detail"`  // what came of it, or the error
	Tries     int       `json:"tries"`   // 0: the unit did it by itself
	BeganAt   time.Time `json:"began_at"`
	DurationS float64   `json:"duration_s"`
}

// Provenance names everything a run depended on.
type Provenance struct {
	Campaign       string          `json:"campaign"`
	Plan           string          `json:"plan"`
	PlanHash       string          `json:"plan_hash"`
	LabVersion     int64           `json:"lab_version"`
	LimitSet       string          `json:"limit_set"`
	ProgramVersion string          `json:"program_version"`
	Instruments    json.RawMessage `json:"instruments"` // identities and certificates as found at preflight
}

// Case is one test at one condition.
type Case struct {
	ID         int64      `json:"id"`
	RunID      string     `json:"run_id"`
	Key        string     `json:"key"`
	Position   int        `json:"position"`   // place in the expanded plan, from 1
	Attempt    int        `json:"attempt"`    // at the case in this run, from 1
	Superseded bool       `json:"superseded"` // a later attempt counts instead
	Segment    int        `json:"segment"`
	Clause     string     `json:"clause"`
	Conditions Conditions `json:"conditions"`
	Verdict    string     `json:"verdict"`
	Error      string     `json:"error"` // why there is no valid measurement
	MeasuredAt time.Time  `json:"measured_at"`
	DurationS  float64    `json:"duration_s"`
	Results    []Result   `json:"results"`
}

// CaseDetail is a case with its run, its traces and the limits in full.
type CaseDetail struct {
	Case
	Run    Run             `json:"run"`
	Traces []Trace         `json:"traces"`
	Limits []Limit         `json:"limits"`           // every requirement of the clause, for drawing masks
	Note   string          `json:"note"`             // why limits or corrected traces are missing, if they are
	Later  []CaseJudgement `json:"later_judgements"` // newest first; the verdict of the case stays as it was
	Curves []Curve         `json:"curves"`           // what a transceiver health test shows beside its figures; none for clauses of the standard
	// NoCurves says why there are none though the clause has some, for people.
	NoCurves string `json:"no_curves"`
}

// Curve is a quantity of a transceiver health test over what was varied: time,
// frequency, attenuation or power.
type Curve struct {
	Title  string     `json:"title"`
	XName  string     `json:"x_name"`
	XUnit  string     `json:"x_unit"`
	YName  string     `json:"y_name"`
	YUnit  string     `json:"y_unit"`
	X      []float64  `json:"x"`
	Y      []float64  `json:"y"`      // as many as x
	Lower  *float64   `json:"lower"`  // limit of all points; null: none
	Upper  *float64   `json:"upper"`  // limit of all points; null: none
	Lines  bool       `json:"lines"`  // the points are spectral lines, with nothing between them
	Limits []*float64 `json:"limits"` // upper limit of each point where they have their own; null: none
}

// Trace describes one stored trace; its levels come from their own address as
// little-endian 32-bit floats.
type Trace struct {
	Number   int             `json:"number"`
	Role     string          `json:"role"`
	StartHz  float64         `json:"start_hz"`
	StopHz   float64         `json:"stop_hz"` // of the last point
	StepHz   float64         `json:"step_hz"`
	Points   int             `json:"points"`
	RBWHz    float64         `json:"rbw_hz"`
	NoiseHz  float64         `json:"noise_bandwidth_hz"`
	Settings json.RawMessage `json:"settings"` // the sweep that was asked for
	// AtConnector is true when the levels served are raised by the path loss,
	// false when they stand as the analyzer read them.
	AtConnector bool   `json:"at_connector"`
	Lost        string `json:"lost"` // why there are no levels: thinned, or damaged; empty: there are
}

// SeriesList holds the level series of one case.
type SeriesList struct {
	Series []Series `json:"series"`
}

// Series is a level over frequency, referred to the measurement bandwidth of
// the limit of the same key: what was judged, at the connector.
type Series struct {
	Key                    string    `json:"key"`
	MeasurementBandwidthHz float64   `json:"measurement_bandwidth_hz"`
	FrequenciesHz          []float64 `json:"frequencies_hz"` // filter centres, rising
	LevelsDBm              []float64 `json:"levels_dbm"`
}
