// Package results is the store of judged measurements and what is counted from
// it.
//
// The concept on one screen:
//
//	run ─┬─ case ─┬─ measurement   a judged figure: value, limit, margin, verdict
//	     │        └─ trace         the evidence behind it, as the analyzer sent it
//	     └─ rollup                 one row per clause, written when the run closes
//
// InsertCases stores the cases of one segment inside the caller's transaction,
// all of them or none; nothing is ever overwritten: a repeat is another run, a case
// measured again after a fail another attempt of the same run. CloseRun counts a run once, so that yield and the comparison of builds
// read a few rollup rows instead of every figure. Simulated results are never
// counted together with real ones.
package results

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/instruments/rf"
	"benchyard/jobs/blob"
	"benchyard/jobs/conformance"
)

// ErrDuplicate tells that a case of the run is in the store already.
var ErrDuplicate = errors.New("the case is stored already")

// ErrNotFound tells that there is no such case or run.
var ErrNotFound = errors.New("not found")

// DB is what reading needs: a pool, a connection or a transaction.
type DB interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// Case is one test at one condition and what came out of it.
type Case struct {
	Key         string // names the case within its run
	Attempt     int    // at it in this run, from 1; zero when inserting: 1
	Superseded  bool   // a later attempt counts instead; the verdict of the first one stays
	Position    int    // place in the expanded plan, from 1
	Clause      string
	Band        string
	RFChannel   conformance.RFChannel
	CarrierHz   float64
	BandwidthHz float64
	SCSHz       float64
	Connector   int
	TestModel   string
	// Configuration and Carriers are those of several carriers at once, of which
	// the fields above hold the lowest; empty and nil for a single one.
	Configuration string
	Carriers      []conformance.Carrier

	Verdict    conformance.Verdict // empty when inserting: the worst of Results
	Error      string              // why there is no valid measurement; only and always with verdict "error"
	MeasuredAt time.Time           // stored to the microsecond
	Duration   time.Duration

	Results []conformance.Result
	Traces  []Trace
}

// Trace is one trace as it was read at the analyzer's input, uncorrected, and
// what the procedure took it for. Levels are kept as 32-bit floats, which is
// how analyzers send them.
type Trace struct {
	Role     string
	Sweep    rf.Sweep
	Spectrum rf.Spectrum
	Unit     *conformance.Observation // what the radio unit told; nil: it was not asked
	Points   int                      // of a stored trace, even where its levels are lost
	Lost     *LostError               // why a stored trace has no levels; nil: it has them

	object *blob.Key // holds the levels, see KeepBig; nil: the row does
}

// StoredCase is a case in the store. Its Traces are empty: they are large, and
// Traces reads them. Of a Requirement the store keeps what a figure is shown
// with: key, clause, title, quantity, unit, side, core value and tolerance at
// the start of its span, measurement bandwidth, offsets, sources; the permitted
// uncertainty as far as the figure has it.
type StoredCase struct {
	ID      int64
	Run     uuid.UUID
	Segment int
	Case
}
