package jobs

import (
	"context"
	"fmt"
	"time"

	"benchyard/jobs/conformance"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// RunSummary is one unit of a campaign: where it stands and what came out.
type RunSummary struct {
	ID         uuid.UUID
	Campaign   uuid.UUID
	Title      string // campaign name
	Build      string
	Simulated  bool
	Serial     string
	UnitType   string
	Attempt    int        // 1 is the first
	Repeats    *uuid.UUID // the attempt before this one
	RepeatedBy *uuid.UUID // the attempt after this one
	State      State
	Verdict    conformance.Verdict // empty until the run has ended
	Bench      string              // where the unit is mounted
	Blocked    string              // why the bench cannot take the run now; empty: it can
	Error      string
	CasesDone  int // cases stored
	CasesTotal int
	Retested   int                 // cases that were measured again after a fail
	First      conformance.Verdict // without what was measured again; first-pass yield counts it
	Paused     string              // why it waits although it has begun; empty: it does not
	DueAt      *time.Time          // it does not go on before; nil: as soon as its turn comes
	QueuedAt   time.Time
	StartedAt  *time.Time
	FinishedAt *time.Time
	Program    string // version of the program that measured it
	Clauses    map[string]ClauseSummary
}

// ClauseSummary is what a run found for one clause.
type ClauseSummary struct {
	Verdict     conformance.Verdict `json:"verdict"`
	WorstMargin *float64            `json:"worst_margin"` // in Unit, positive passes; nil when nothing was judged
	Unit        string              `json:"unit"`
	Cases       int                 `json:"cases"`
	Passed      int                 `json:"passed"`
	Failed      int                 `json:"failed"`
	Errors      int                 `json:"errors"`
}

// The roll-up of a closed run is stored; that of an open one is counted here.
const runQuery = `
	WITH wanted AS (
		SELECT * FROM run WHERE ($1::uuid IS NULL OR campaign_id = $1) AND ($2::uuid IS NULL OR id = $2)
	), clause AS (
		SELECT run_id, clause, verdict, cases, passed, failed, errors, worst_margin, unit
		FROM run_rollup WHERE run_id IN (SELECT id FROM wanted)
		UNION ALL
		SELECT m.run_id, m.clause,
		       (array_agg(m.verdict ORDER BY array_position(ARRAY['error', 'fail', 'conditional fail', 'aborted', 'not run',
		               'conditional pass', 'pass'], m.verdict)))[1], count(*),
		       count(*) FILTER (WHERE m.verdict IN ('pass', 'conditional pass')),
		       count(*) FILTER (WHERE m.verdict IN ('fail', 'conditional fail')),
		       count(*) FILTER (WHERE m.verdict = 'error'),
		       min(x.margin), coalesce(max(x.unit), '')
		FROM measured_case m
		LEFT JOIN LATERAL (SELECT min(margin) AS margin, max(unit) AS unit FROM measurement WHERE case_id = m.id) x ON true
		WHERE m.last AND m.run_id IN (SELECT id FROM wanted w WHERE NOT EXISTS (SELECT 1 FROM run_rollup u WHERE u.run_id = w.id))
		GROUP BY m.run_id, m.clause
	)
	SELECT r.id, c.id, c.name, c.build, c.simulated, r.serial, r.unit_type, r.attempt, r.repeats,
	       (SELECT later.id FROM run later WHERE later.repeats = r.id LIMIT 1),
	       r.state, coalesce(r.verdict, ''), coalesce(r.bench, ''), coalesce(r.blocked, ''), coalesce(r.error, ''),
	       (SELECT count(*) FROM measured_case m WHERE m.run_id = r.id AND m.last), r.cases,
	       (SELECT count(*) FROM measured_case m WHERE m.run_id = r.id AND m.last AND m.attempt > 1), coalesce(r.first_verdict, r.verdict, ''),
	       coalesce(r.paused, ''), r.due_at,
	       r.queued_at, r.started_at, r.finished_at, r.program_version,
	       coalesce((SELECT jsonb_object_agg(k.clause, jsonb_build_object(
	               'verdict', k.verdict, 'worst_margin', k.worst_margin, 'unit', k.unit, 'cases', k.cases,
	               'passed', k.passed, 'failed', k.failed, 'errors', k.errors))
	           FROM clause k WHERE k.run_id = r.id), '{}')
	FROM wanted r
	JOIN campaign c ON c.id = r.campaign_id
	ORDER BY r.serial, r.attempt`

// RunsOf returns every run of a campaign, by serial and attempt.
func RunsOf(ctx context.Context, db DB, campaign uuid.UUID) ([]RunSummary, error) {
	return runs(ctx, db, &campaign, nil)
}

// RunByID returns one run, or ErrNotFound.
func RunByID(ctx context.Context, db DB, id uuid.UUID) (RunSummary, error) {
	found, err := runs(ctx, db, nil, &id)
	if err != nil {
		return RunSummary{}, err
	}
	if len(found) == 0 {
		return RunSummary{}, fmt.Errorf("jobs: run %s: %w", id, ErrNotFound)
	}
	return found[0], nil
}

func runs(ctx context.Context, db DB, campaign, id *uuid.UUID) ([]RunSummary, error) {
	rows, err := db.Query(ctx, runQuery, campaign, id)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading runs: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[RunSummary])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading runs: %w", err)
	}
	return found, nil
}

// SegmentSummary is one checkpoint of a run.
type SegmentSummary struct {
	Number     int
	Title      string
	Cases      int
	State      string // pending, running, done or error
	Attempts   int
	Error      string
	StartedAt  *time.Time
	FinishedAt *time.Time
}

// SegmentsOf returns the segments of a run in their order.
func SegmentsOf(ctx context.Context, db DB, run uuid.UUID) ([]SegmentSummary, error) {
	rows, err := db.Query(ctx, `SELECT number, title, cases, state, attempts, coalesce(error, ''), started_at, finished_at
		FROM run_segment WHERE run_id = $1 ORDER BY number`, run)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading segments of run %s: %w", run, err)
	}
	segments, err := pgx.CollectRows(rows, pgx.RowToStructByPos[SegmentSummary])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading segments of run %s: %w", run, err)
	}
	return segments, nil
}
