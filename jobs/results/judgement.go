package results

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"benchyard/jobs/conformance"
)

// Judgement is one time that stored traces were judged again: what was asked,
// by whom and why, and how far it has come. The figures and verdicts of the
// first judging are never changed by it.
type Judgement struct {
	ID         uuid.UUID
	AskedBy    string
	AskedAt    time.Time
	Reason     string
	Simulated  bool
	LimitSet   string                    // name of the limit set that judges, with the files laid over it
	LimitsFile string                    // name of the file laid over the embedded set; empty: none
	Rule       *conformance.DecisionRule // nil: the rule of each plan
	LabID      *int64                    // inventory version whose corrections count; nil with an empty LabFile: that of each campaign
	LabFile    string                    // name of a file whose corrections count; it was never in force
	Program    string                    // version of the program that was asked
	State      string                    // "queued", "active", "done" or "error"
	Error      string                    // why nothing more is judged; only with "error"
	StartedAt  *time.Time
	FinishedAt *time.Time
	JudgementCount
}

// JudgementCount is how far a judgement has come and what it found.
type JudgementCount struct {
	Runs            int // asked for
	Done            int // judged again
	Errors          int // could not be judged again: nothing of them is stored
	Traces          int // stored for all runs
	TracesDone      int // of runs that are done or in error
	Figures         int // judged again
	Changed         int // figures with another value, limit, margin or verdict than the first time
	VerdictsChanged int // figures with another verdict
	RunsChanged     int // runs with another verdict
	Failed          int // runs whose verdict is a fail or conditional fail now
}

// Ended reports whether nothing more comes of the judgement.
func (j Judgement) Ended() bool { return j.State == "done" || j.State == "error" }

// JudgementTexts are the documents that a judgement was asked with; nil where
// there was none.
type JudgementTexts struct {
	Limits *string
	Lab    *string
}

// JudgementRun is one run of a judgement.
type JudgementRun struct {
	Run             uuid.UUID
	Batch           int // runs that are worked on together, from 1
	Serial          string
	UnitType        string
	Build           string
	State           string // "waiting", "done" or "error"
	Traces          int
	Before          conformance.Verdict // of the run as it was measured
	After           conformance.Verdict // empty until it was judged again
	Error           string              // why it could not be
	Figures         int
	Changed         int
	VerdictsChanged int
	Program         string // version of the program that judged
}

// InsertJudgement stores what was asked, with its runs, in the caller's
// transaction. Of a run it needs number, batch, traces and verdict.
func InsertJudgement(ctx context.Context, tx pgx.Tx, j Judgement, texts JudgementTexts, runs []JudgementRun) error {
	var name *string
	var rule conformance.DecisionRule
	if j.Rule != nil {
		rule, name = *j.Rule, &j.Rule.Name
	}
	_, err := tx.Exec(ctx, `
		INSERT INTO judgement (id, asked_by, reason, simulated, limit_set, limits_file, limits_document, rule_name,
			guard_band_factor, probability, lab_id, lab_file, lab_document, program_version)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
		j.ID, j.AskedBy, j.Reason, j.Simulated, j.LimitSet, j.LimitsFile, texts.Limits, name,
		rule.GuardBandFactor, rule.Probability, j.LabID, j.LabFile, texts.Lab, j.Program)
	if err != nil {
		return fmt.Errorf("results: storing judgement %s: %w", j.ID, err)
	}
	rows := make([][]any, len(runs))
	for i, r := range runs {
		rows[i] = []any{j.ID, r.Run, r.Batch, r.Traces, string(r.Before)}
	}
	if err := copyRows(ctx, tx, "judgement_run", []string{"judgement_id", "run_id", "batch", "traces", "verdict_before"}, rows); err != nil {
		return fmt.Errorf("results: storing the runs of judgement %s: %w", j.ID, err)
	}
	return nil
}

// Rejudged is one case judged again.
type Rejudged struct {
	Case    int64
	Results []conformance.Result
}

// ErrUnstorable says that the figures of a run are such that the store can never
// hold them: to try again is no use. The transaction they came with is lost.
var ErrUnstorable = errors.New("the figures cannot be stored")

// unstorable marks an error as ErrUnstorable that the figures themselves caused:
// SQLSTATE class 22 (data) or 23 (constraints).
func unstorable(err error) error {
	var refused *pgconn.PgError
	if errors.As(err, &refused) && (strings.HasPrefix(refused.Code, "22") || strings.HasPrefix(refused.Code, "23")) {
		return fmt.Errorf("%w: %w", ErrUnstorable, err)
	}
	return err
}

// StoreJudgedRun stores a run that was judged again in the caller's
// transaction: its figures, its verdict, and how much of it changed. It stores
// nothing and returns false when the run waits no more: somebody else was
// quicker. Figures that no store could hold give ErrUnstorable.
func StoreJudgedRun(ctx context.Context, tx pgx.Tx, judgement, run uuid.UUID, cases []Rejudged, verdict conformance.Verdict, program string) (bool, error) {
	waits, err := lockJudgedRun(ctx, tx, judgement, run)
	if err != nil || !waits {
		return false, err
	}
	rows, err := rejudgedRows(judgement, cases)
	if err != nil {
		return false, err
	}
	columns := append([]string{"judgement_id"}, measurementColumns...)
	if err := copyRows(ctx, tx, "judgement_measurement", columns, rows); err != nil {
		return false, fmt.Errorf("results: figures of run %s judged again: %w", run, unstorable(err))
	}
	_, err = tx.Exec(ctx, `
		UPDATE judgement_run SET state = 'done', verdict = $3, program_version = $4, finished_at = now(), figures = $5,
			changed = n.changed, verdicts_changed = n.verdicts
		FROM (SELECT count(*) AS changed, count(*) FILTER (WHERE x.verdict_changed) AS verdicts
			FROM measured_case c CROSS JOIN LATERAL (`+comparison("$1", "c.id")+`) x WHERE c.run_id = $2) n
		WHERE judgement_id = $1 AND run_id = $2`, judgement, run, string(verdict), program, len(rows))
	if err != nil {
		return false, fmt.Errorf("results: run %s judged again: %w", run, err)
	}
	return true, nil
}

// StoreUnjudgedRun stores why a run could not be judged again, and nothing else
// of it. It returns false when the run waits no more.
func StoreUnjudgedRun(ctx context.Context, tx pgx.Tx, judgement, run uuid.UUID, why, program string) (bool, error) {
	waits, err := lockJudgedRun(ctx, tx, judgement, run)
	if err != nil || !waits {
		return false, err
	}
	_, err = tx.Exec(ctx, `UPDATE judgement_run SET state = 'error', error = $3, program_version = $4, finished_at = now()
		WHERE judgement_id = $1 AND run_id = $2`, judgement, run, why, program)
	if err != nil {
		return false, fmt.Errorf("results: run %s, which could not be judged again: %w", run, err)
	}
	return true, nil
}

func lockJudgedRun(ctx context.Context, tx pgx.Tx, judgement, run uuid.UUID) (waits bool, err error) {
	err = tx.QueryRow(ctx, `SELECT state = 'waiting' FROM judgement_run WHERE judgement_id = $1 AND run_id = $2 FOR UPDATE`,
		judgement, run).Scan(&waits)
	if err != nil {
		return false, fmt.Errorf("results: run %s of judgement %s: %w", run, judgement, err)
	}
	return waits, nil
}

// rejudgedRows are rows of measurement with the judgement before them.
func rejudgedRows(judgement uuid.UUID, cases []Rejudged) ([][]any, error) {
	list, ids := make([]Case, len(cases)), make(map[caseName]int64, len(cases))
	for i, c := range cases {
		list[i] = Case{Key: fmt.Sprint(c.Case), Results: c.Results}
		ids[list[i].name()] = c.Case
		for _, r := range c.Results {
			if err := checkResult(r); err != nil {
				return nil, fmt.Errorf("results: case %d, %s: %w: %w", c.Case, r.Requirement.Key, ErrUnstorable, err)
			}
		}
	}
	rows := measurementRows(list, ids)
	for i := range rows {
		rows[i] = append([]any{judgement}, rows[i]...)
	}
	return rows, nil
}

// comparison is a query for the figures of a case that a judgement changed. A
// limit that only one of the two has counts as passed in the other. Where only
// the words of the rule or the uncertainty differ, nothing changed.
func comparison(judgement, caseID string) string {
	return `SELECT key, clause, title, unit, value_before, lower_before, upper_before, margin_before, verdict_before,
			value_after, lower_after, upper_after, margin_after, verdict_after,
			coalesce(verdict_before, 'pass') <> coalesce(verdict_after, 'pass') AS verdict_changed
		FROM (SELECT requirement_key AS key, coalesce(n.clause, o.clause) AS clause, coalesce(n.title, o.title) AS title,
				coalesce(n.unit, o.unit) AS unit,
				o.value AS value_before, o.lower_limit AS lower_before, o.upper_limit AS upper_before, o.margin AS margin_before, o.verdict AS verdict_before,
				n.value AS value_after, n.lower_limit AS lower_after, n.upper_limit AS upper_after, n.margin AS margin_after, n.verdict AS verdict_after
			FROM (SELECT * FROM measurement WHERE case_id = ` + caseID + `) o
			FULL JOIN (SELECT * FROM judgement_measurement WHERE judgement_id = ` + judgement + ` AND case_id = ` + caseID + `) n
				USING (requirement_key)) both_times
		WHERE (value_before, lower_before, upper_before, margin_before, verdict_before)
			IS DISTINCT FROM (value_after, lower_after, upper_after, margin_after, verdict_after)`
}
