package api

import (
	"context"
	"net/http"
	"time"
)

// BenchChange is who changes something of a bench, and why.
type BenchChange struct {
	By       string `json:"by"`                  // name
	Reason   string `json:"reason,omitempty"`    // needed to hold a bench and to begin its golden unit anew
	PathBack bool   `json:"path_back,omitempty"` // the paths that may be off their connectors are back on them; needed to release a bench with paths_off
}

// GoldenReport is what the golden unit of a bench tells of it.
type GoldenReport struct {
	Bench   string           `json:"bench"`
	Golden  *GoldenUnit      `json:"golden"`  // null: the bench has no golden unit
	Begun   []GoldenBaseline `json:"begun"`   // every beginning anew, newest first: only runs after it are compared
	Figures []GoldenFigure   `json:"figures"` // of the newest run and those before it, by clause and limit
}

// GoldenBaseline is a moment from which on runs of a golden unit are compared anew.
type GoldenBaseline struct {
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Reason string    `json:"reason"`
}

// GoldenFigure is one figure of a golden unit at one connector. Its limits are those of a
// steady bench, from the runs before the newest, and no test limits; null where missing
// says why there are none.
type GoldenFigure struct {
	Clause      string          `json:"clause"`
	Requirement string          `json:"requirement"`
	Title       string          `json:"title"`
	Condition   string          `json:"condition"`
	Connector   int             `json:"connector"`
	Margin      bool            `json:"margin"` // readings are margins to the test requirement
	Unit        string          `json:"unit"`
	Earlier     int             `json:"earlier"` // readings that the limits come from
	Mean        *float64        `json:"mean"`
	Lower       *float64        `json:"lower"`
	Upper       *float64        `json:"upper"`
	Newest      float64         `json:"newest"`
	MeasuredAt  time.Time       `json:"measured_at"`
	Signal      bool            `json:"signal"` // the newest left the limits: the bench is held for it
	Missing     string          `json:"missing"`
	Readings    []GoldenReading `json:"readings"` // in the order they were taken, the newest last
}

// GoldenReading is one reading of a golden unit.
type GoldenReading struct {
	CaseID     int64     `json:"case_id"`
	MeasuredAt time.Time `json:"measured_at"`
	Value      float64   `json:"value"`
}

// Bench returns one bench by its name.
func (c *Client) Bench(ctx context.Context, name string) (one Bench, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "benches", name)
}

// HoldBench keeps a bench from new runs; a run in work goes on to its end.
func (c *Client) HoldBench(ctx context.Context, name string, b BenchChange) (one Bench, err error) {
	return one, c.call(ctx, http.MethodPost, nil, b, &one, "benches", name, "hold")
}

// ReleaseBench lets a held bench take runs again.
func (c *Client) ReleaseBench(ctx context.Context, name string, b BenchChange) (one Bench, err error) {
	return one, c.call(ctx, http.MethodPost, nil, b, &one, "benches", name, "release")
}

// ClearAlarm removes the alarm of a bench. Who does so has looked at the bench.
func (c *Client) ClearAlarm(ctx context.Context, name string, b BenchChange) (one Bench, err error) {
	return one, c.call(ctx, http.MethodPost, nil, b, &one, "benches", name, "clear-alarm")
}

// Golden returns what the golden unit of a bench tells of it.
func (c *Client) Golden(ctx context.Context, name string) (one GoldenReport, err error) {
	return one, c.call(ctx, http.MethodGet, nil, nil, &one, "benches", name, "golden")
}

// BeginGolden compares the runs of a golden unit anew from now on; earlier ones stay.
func (c *Client) BeginGolden(ctx context.Context, name string, b BenchChange) (one GoldenReport, err error) {
	return one, c.call(ctx, http.MethodPost, nil, b, &one, "benches", name, "golden", "begin-anew")
}
