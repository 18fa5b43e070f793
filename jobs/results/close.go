package results

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
)

// rollup is the count of one clause of a run.
type rollup struct {
	Clause      string
	Verdicts    []string // the different ones
	Cases       int
	Passed      int // by verdict: pass and conditional pass
	Failed      int // by verdict: fail and conditional fail
	Errors      int
	WorstMargin *float64
	Unit        string
}

// CloseRun counts what the run has stored: one rollup row per clause, and the
// verdict of the run, which is the worst of the last attempts at its cases; the worst of
// the first ones stays beside it. Cases that the plan
// asks for and nobody stored count as "not run", so an unfinished run never
// passes. It writes the verdict, not the state, of the run, inside the
// caller's transaction; closing again counts again.
func CloseRun(ctx context.Context, tx pgx.Tx, run uuid.UUID) (conformance.Verdict, error) {
	var planned int
	err := tx.QueryRow(ctx, "SELECT cases FROM run WHERE id = $1 FOR UPDATE", run).Scan(&planned)
	if err == pgx.ErrNoRows {
		return "", fmt.Errorf("results: run %s: %w", run, ErrNotFound)
	}
	if err != nil {
		return "", fmt.Errorf("results: closing run %s: %w", run, err)
	}
	clauses, err := count(ctx, tx, run)
	if err != nil {
		return "", fmt.Errorf("results: counting run %s: %w", run, err)
	}
	if err := writeRollups(ctx, tx, run, clauses); err != nil {
		return "", fmt.Errorf("results: rollup of run %s: %w", run, err)
	}
	verdict := runVerdict(clauses, planned)
	first, err := firstVerdict(ctx, tx, run, verdict, planned)
	if err != nil {
		return "", fmt.Errorf("results: first attempts of run %s: %w", run, err)
	}
	if _, err := tx.Exec(ctx, "UPDATE run SET verdict = $2, first_verdict = nullif($3, '') WHERE id = $1", run, string(verdict), string(first)); err != nil {
		return "", fmt.Errorf("results: verdict of run %s: %w", run, err)
	}
	return verdict, nil
}

func count(ctx context.Context, tx pgx.Tx, run uuid.UUID) ([]rollup, error) {
	rows, err := tx.Query(ctx, `
		SELECT c.clause, array_agg(DISTINCT c.verdict), count(*),
		       count(*) FILTER (WHERE c.verdict IN ('pass', 'conditional pass')),
		       count(*) FILTER (WHERE c.verdict IN ('fail', 'conditional fail')),
		       count(*) FILTER (WHERE c.verdict = 'error'),
		       min(m.margin), coalesce(max(m.unit), '')
		FROM measured_case c
		LEFT JOIN LATERAL (SELECT min(margin) AS margin, max(unit) AS unit FROM measurement WHERE case_id = c.id) m ON true
		WHERE c.run_id = $1 AND c.last
		GROUP BY c.clause
		ORDER BY c.clause`, run)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[rollup])
}

// firstVerdict returns the verdict that the run would have had without measuring
// anything again, empty where nothing was: it is that of the run then.
func firstVerdict(ctx context.Context, tx pgx.Tx, run uuid.UUID, final conformance.Verdict, planned int) (conformance.Verdict, error) {
	var first []string
	var cases int
	var again bool
	err := tx.QueryRow(ctx, `SELECT coalesce(array_agg(DISTINCT verdict) FILTER (WHERE attempt = 1), '{}'), count(*) FILTER (WHERE attempt = 1),
		coalesce(bool_or(attempt > 1), false) FROM measured_case WHERE run_id = $1`, run).Scan(&first, &cases, &again)
	if err != nil || !again {
		return "", err
	}
	return runVerdict([]rollup{{Verdicts: first, Cases: cases}}, planned), nil
}

func writeRollups(ctx context.Context, tx pgx.Tx, run uuid.UUID, clauses []rollup) error {
	if _, err := tx.Exec(ctx, "DELETE FROM run_rollup WHERE run_id = $1", run); err != nil {
		return err
	}
	rows := make([][]any, len(clauses))
	for i, c := range clauses {
		rows[i] = []any{run, c.Clause, string(c.verdict()), c.Cases, c.Passed, c.Failed, c.Errors, c.WorstMargin, c.Unit}
	}
	return copyRows(ctx, tx, "run_rollup",
		[]string{"run_id", "clause", "verdict", "cases", "passed", "failed", "errors", "worst_margin", "unit"}, rows)
}

func (r rollup) verdict() conformance.Verdict {
	return conformance.Worst(column(r.Verdicts, func(v string) conformance.Verdict { return conformance.Verdict(v) }))
}

func runVerdict(clauses []rollup, planned int) conformance.Verdict {
	var verdicts []conformance.Verdict
	stored := 0
	for _, c := range clauses {
		verdicts = append(verdicts, c.verdict())
		stored += c.Cases
	}
	if stored < planned {
		verdicts = append(verdicts, conformance.NotRun)
	}
	return conformance.Worst(verdicts)
}
