package results

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
)

const judgementQuery = `
	SELECT j.id, j.asked_by, j.asked_at, j.reason, j.simulated, j.limit_set, j.limits_file, j.rule_name, j.guard_band_factor,
		j.probability, j.lab_id, j.lab_file, j.program_version, j.state, coalesce(j.error, ''), j.started_at, j.finished_at,
		n.runs, n.done, n.errors, n.traces, n.traces_done, n.figures, n.changed, n.verdicts_changed, n.runs_changed, n.failed
	FROM judgement j CROSS JOIN LATERAL (
		SELECT count(*) AS runs, count(*) FILTER (WHERE state = 'done') AS done, count(*) FILTER (WHERE state = 'error') AS errors,
			coalesce(sum(traces), 0) AS traces, coalesce(sum(traces) FILTER (WHERE state <> 'waiting'), 0) AS traces_done,
			coalesce(sum(figures), 0) AS figures, coalesce(sum(changed), 0) AS changed, coalesce(sum(verdicts_changed), 0) AS verdicts_changed,
			count(*) FILTER (WHERE verdict <> verdict_before) AS runs_changed,
			count(*) FILTER (WHERE verdict IN ('fail', 'conditional fail')) AS failed
		FROM judgement_run WHERE judgement_id = j.id) n
	WHERE $1::uuid IS NULL OR j.id = $1
	ORDER BY j.asked_at DESC, j.id DESC
	LIMIT $2`

// Judgements returns what was judged again, newest first; a limit of zero
// returns all.
func Judgements(ctx context.Context, db DB, limit int) ([]Judgement, error) {
	return judgements(ctx, db, nil, limit)
}

// JudgementByID returns one judgement, or ErrNotFound.
func JudgementByID(ctx context.Context, db DB, id uuid.UUID) (Judgement, error) {
	found, err := judgements(ctx, db, &id, 1)
	if err != nil {
		return Judgement{}, err
	}
	if len(found) == 0 {
		return Judgement{}, fmt.Errorf("results: judgement %s: %w", id, ErrNotFound)
	}
	return found[0], nil
}

func judgements(ctx context.Context, db DB, id *uuid.UUID, limit int) ([]Judgement, error) {
	rows, err := db.Query(ctx, judgementQuery, id, limitOrNull(limit))
	if err != nil {
		return nil, fmt.Errorf("results: reading judgements: %w", err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (j Judgement, err error) {
		var rule *string
		var factor, probability float64
		n := &j.JudgementCount
		err = row.Scan(&j.ID, &j.AskedBy, &j.AskedAt, &j.Reason, &j.Simulated, &j.LimitSet, &j.LimitsFile, &rule, &factor,
			&probability, &j.LabID, &j.LabFile, &j.Program, &j.State, &j.Error, &j.StartedAt, &j.FinishedAt,
			&n.Runs, &n.Done, &n.Errors, &n.Traces, &n.TracesDone, &n.Figures, &n.Changed, &n.VerdictsChanged, &n.RunsChanged, &n.Failed)
		if rule != nil {
			j.Rule = &conformance.DecisionRule{Name: *rule, GuardBandFactor: factor, Probability: probability}
		}
		return j, err
	})
	if err != nil {
		return nil, fmt.Errorf("results: reading judgements: %w", err)
	}
	return found, nil
}

// TextsOf returns the documents that a judgement was asked with, or ErrNotFound.
func TextsOf(ctx context.Context, db DB, judgement uuid.UUID) (JudgementTexts, error) {
	var t JudgementTexts
	err := db.QueryRow(ctx, `SELECT limits_document, lab_document FROM judgement WHERE id = $1`, judgement).Scan(&t.Limits, &t.Lab)
	if errors.Is(err, pgx.ErrNoRows) {
		err = ErrNotFound
	}
	if err != nil {
		return t, fmt.Errorf("results: documents of judgement %s: %w", judgement, err)
	}
	return t, nil
}

// JudgementRuns returns the runs of a judgement: first those that could not be
// judged again, then those with another verdict, then by serial number.
func JudgementRuns(ctx context.Context, db DB, judgement uuid.UUID) ([]JudgementRun, error) {
	rows, err := db.Query(ctx, `
		SELECT j.run_id, j.batch, r.serial, r.unit_type, c.build, j.state, j.traces, j.verdict_before, coalesce(j.verdict, ''),
			coalesce(j.error, ''), j.figures, j.changed, j.verdicts_changed, j.program_version
		FROM judgement_run j JOIN run r ON r.id = j.run_id JOIN campaign c ON c.id = r.campaign_id
		WHERE j.judgement_id = $1
		ORDER BY j.state = 'error' DESC, coalesce(j.verdict <> j.verdict_before, false) DESC, r.serial, r.queued_at, r.id`, judgement)
	if err != nil {
		return nil, fmt.Errorf("results: runs of judgement %s: %w", judgement, err)
	}
	runs, err := pgx.CollectRows(rows, pgx.RowToStructByPos[JudgementRun])
	if err != nil {
		return nil, fmt.Errorf("results: runs of judgement %s: %w", judgement, err)
	}
	return runs, nil
}

// RunJudgement is what one judgement made of a run.
type RunJudgement struct {
	Judgement uuid.UUID
	AskedAt   time.Time
	Reason    string
	LimitSet  string
	State     string              // of the run in it: "waiting", "done" or "error"
	Verdict   conformance.Verdict // empty until it was judged again
	Error     string
	Changed   int // figures
}

// JudgementsOfRun returns how often a run was judged again, the newest first.
func JudgementsOfRun(ctx context.Context, db DB, run uuid.UUID) ([]RunJudgement, error) {
	rows, err := db.Query(ctx, `
		SELECT j.id, j.asked_at, j.reason, j.limit_set, r.state, coalesce(r.verdict, ''), coalesce(r.error, ''), r.changed
		FROM judgement_run r JOIN judgement j ON j.id = r.judgement_id WHERE r.run_id = $1 ORDER BY j.asked_at DESC, j.id DESC`, run)
	if err != nil {
		return nil, fmt.Errorf("results: judgements of run %s: %w", run, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[RunJudgement])
	if err != nil {
		return nil, fmt.Errorf("results: judgements of run %s: %w", run, err)
	}
	return list, nil
}

// JudgedFigure is one figure as it was judged at one time; every field is nil,
// and the verdict empty, where the limit set of that time had no such limit.
type JudgedFigure struct {
	Value, Lower, Upper, Margin *float64
	Verdict                     conformance.Verdict
}

// JudgementChange is a figure that a judgement changed.
type JudgementChange struct {
	Run       uuid.UUID
	Serial    string
	UnitType  string
	Build     string
	Case      int64
	Position  int // of the case in its plan
	Band      string
	RFChannel conformance.RFChannel
	Connector int
	Key       string // of the limit
	Clause    string
	Title     string
	Unit      string
	Before    JudgedFigure // as it was measured
	After     JudgedFigure // as it was judged again
	// VerdictChanged: the verdict is another. A limit that only one of the two
	// has counts as passed in the other.
	VerdictChanged bool
}

// ChangesOf returns the figures that a judgement changed, another verdict first,
// then by serial number and the order of the plan. With onlyVerdicts it returns
// those with another verdict; a limit of zero returns all.
func ChangesOf(ctx context.Context, db DB, judgement uuid.UUID, onlyVerdicts bool, limit int) ([]JudgementChange, error) {
	rows, err := db.Query(ctx, `
		SELECT r.id, r.serial, r.unit_type, g.build, c.id, c.position, c.band, c.rf_channel, c.connector, x.key, x.clause, x.title, x.unit,
			x.value_before, x.lower_before, x.upper_before, x.margin_before, coalesce(x.verdict_before, ''),
			x.value_after, x.lower_after, x.upper_after, x.margin_after, coalesce(x.verdict_after, ''), x.verdict_changed
		FROM judgement_run j JOIN run r ON r.id = j.run_id JOIN campaign g ON g.id = r.campaign_id
		JOIN measured_case c ON c.run_id = r.id
		CROSS JOIN LATERAL (`+comparison("j.judgement_id", "c.id")+`) x
		WHERE j.judgement_id = $1 AND j.state = 'done' AND j.changed > 0
			AND (NOT $2 OR j.verdicts_changed > 0 AND x.verdict_changed)
		ORDER BY x.verdict_changed DESC, r.serial, r.queued_at, r.id, c.position, x.key
		LIMIT $3`, judgement, onlyVerdicts, limitOrNull(limit))
	if err != nil {
		return nil, fmt.Errorf("results: changes of judgement %s: %w", judgement, err)
	}
	changes, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c JudgementChange, err error) {
		b, a := &c.Before, &c.After
		return c, row.Scan(&c.Run, &c.Serial, &c.UnitType, &c.Build, &c.Case, &c.Position, &c.Band, &c.RFChannel, &c.Connector,
			&c.Key, &c.Clause, &c.Title, &c.Unit, &b.Value, &b.Lower, &b.Upper, &b.Margin, &b.Verdict,
			&a.Value, &a.Lower, &a.Upper, &a.Margin, &a.Verdict, &c.VerdictChanged)
	})
	if err != nil {
		return nil, fmt.Errorf("results: changes of judgement %s: %w", judgement, err)
	}
	return changes, nil
}

// JudgedAgain returns the figures of one run as a judgement has them, by case
// and in the order they were judged; none when the run was not judged again.
func JudgedAgain(ctx context.Context, db DB, judgement, run uuid.UUID) ([]Rejudged, error) {
	rows, err := db.Query(ctx, "SELECT m.case_id, "+resultColumns+` FROM judgement_measurement m JOIN measured_case c ON c.id = m.case_id
		WHERE m.judgement_id = $1 AND c.run_id = $2 ORDER BY c.position, c.id, m.requirement_key`, judgement, run)
	if err != nil {
		return nil, fmt.Errorf("results: run %s in judgement %s: %w", run, judgement, err)
	}
	var list []Rejudged
	var id int64
	var r conformance.Result
	_, err = pgx.ForEachRow(rows, append([]any{&id}, resultFields(&r)...), func() error {
		if n := len(list); n == 0 || list[n-1].Case != id {
			list = append(list, Rejudged{Case: id})
		}
		last := &list[len(list)-1]
		last.Results = append(last.Results, r)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("results: run %s in judgement %s: %w", run, judgement, err)
	}
	return list, nil
}

// Evidence is a stored case with the traces behind it.
type Evidence struct {
	ID      int64
	Key     string
	Clause  string
	Verdict conformance.Verdict
	Last    bool  // no later attempt at the case counts instead
	Lab     int64 // version of the inventory it was measured by; zero: that of the campaign
	Traces  []Trace
	Damage  error // why the traces cannot be read, a *LostError; nil: they can
}

// EvidenceOf returns the cases of a run in the order of the plan, each with its
// traces: two queries for the whole run. A trace whose levels cannot be had is
// noted in its case and spoils no other; its error is no error of the database.
func EvidenceOf(ctx context.Context, db DB, objects Objects, run uuid.UUID) ([]Evidence, error) {
	rows, err := db.Query(ctx, `SELECT c.id, c.case_key, c.clause, c.verdict, c.last, coalesce(s.lab_id, 0)
		FROM measured_case c JOIN run_segment s ON s.run_id = c.run_id AND s.number = c.segment WHERE c.run_id = $1 ORDER BY c.position, c.id`, run)
	if err != nil {
		return nil, fmt.Errorf("results: cases of run %s: %w", run, err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (e Evidence, err error) {
		return e, row.Scan(&e.ID, &e.Key, &e.Clause, &e.Verdict, &e.Last, &e.Lab)
	})
	if err != nil {
		return nil, fmt.Errorf("results: cases of run %s: %w", run, err)
	}
	place := make(map[int64]int, len(list))
	for i, e := range list {
		place[e.ID] = i
	}
	packed, err := packedTraces(ctx, db, column(list, func(e Evidence) int64 { return e.ID }))
	if err != nil {
		return nil, fmt.Errorf("results: traces of run %s: %w", run, err)
	}
	source := source{objects: objects}
	for _, p := range packed {
		e := &list[place[p.caseID]]
		t, err := source.unpack(ctx, p)
		if err != nil {
			return nil, fmt.Errorf("results: traces of run %s: %w", run, err)
		}
		if t.Lost != nil && e.Damage == nil {
			e.Damage = t.Lost
		}
		e.Traces = append(e.Traces, t)
	}
	return list, nil
}

// CaseJudgement is what one judgement made of a case.
type CaseJudgement struct {
	Judgement Judgement
	Verdict   conformance.Verdict // worst of its figures; empty where it has none
	Figures   int
	Changed   int // figures with another value, limit, margin or verdict than the first time
	Verdicts  int // figures with another verdict
}

// JudgementsOfCase returns how a case was judged again, the newest first.
// Judgements that could not judge its run are left out.
func JudgementsOfCase(ctx context.Context, db DB, caseID int64) ([]CaseJudgement, error) {
	rows, err := db.Query(ctx, `
		SELECT j.id, j.asked_by, j.asked_at, j.reason, j.limit_set, j.rule_name, j.guard_band_factor, j.probability,
			array(SELECT m.verdict FROM judgement_measurement m WHERE m.judgement_id = j.id AND m.case_id = c.id), x.changed, x.verdicts
		FROM measured_case c
		JOIN judgement_run r ON r.run_id = c.run_id AND r.state = 'done'
		JOIN judgement j ON j.id = r.judgement_id
		CROSS JOIN LATERAL (SELECT count(*) AS changed, count(*) FILTER (WHERE verdict_changed) AS verdicts
			FROM (`+comparison("j.id", "c.id")+`) figure) x
		WHERE c.id = $1 ORDER BY j.asked_at DESC, j.id DESC`, caseID)
	if err != nil {
		return nil, fmt.Errorf("results: judgements of case %d: %w", caseID, err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c CaseJudgement, err error) {
		var rule *string
		var factor, probability float64
		var verdicts []conformance.Verdict
		j := &c.Judgement
		err = row.Scan(&j.ID, &j.AskedBy, &j.AskedAt, &j.Reason, &j.LimitSet, &rule, &factor, &probability, &verdicts, &c.Changed, &c.Verdicts)
		if rule != nil {
			j.Rule = &conformance.DecisionRule{Name: *rule, GuardBandFactor: factor, Probability: probability}
		}
		if c.Figures = len(verdicts); c.Figures > 0 { // none of a case without a measurement
			c.Verdict = conformance.Worst(verdicts)
		}
		return c, err
	})
	if err != nil {
		return nil, fmt.Errorf("results: judgements of case %d: %w", caseID, err)
	}
	return list, nil
}
