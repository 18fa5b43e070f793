package results

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"benchyard/jobs/statistics"
)

// Level is the confidence level of the intervals of a yield.
const Level = 0.95

// BuildYield is how many units of one type passed under one build.
//
// An attempt is a run that reached a verdict; a run that ended in an error,
// was aborted or left cases out is none and is counted apart. A unit counts
// once, whatever the number of campaigns: at first pass it passed if its first
// attempt at every plan passed without a case measured again, finally if its last attempt did. Versions of a
// plan under one name are one plan. A conditional pass is a pass.
type BuildYield struct {
	Build     string
	UnitType  string
	Simulated bool
	Units     int // units with an attempt: the n of both yields
	FirstPass int // of these, passed at the first attempt
	Final     int // of these, passed at the last attempt

	// Wilson intervals of the two proportions at Level. Without units they
	// span 0 to 1 and say nothing.
	FirstPassLow, FirstPassHigh float64
	FinalLow, FinalHigh         float64
	// The exact intervals of Clopper and Pearson, which never cover less than
	// Level and are wider.
	FirstPassExact, FinalExact statistics.Interval

	Unjudged int // units that were in a campaign and have no attempt, for whatever reason
	Errors   int // runs that ended in an error
	Aborted  int // runs that were cancelled, or closed with cases aborted or not run
}

// Yield counts every build and type, builds in the order they became known.
// simulated says which world to count: the two never mix.
func Yield(ctx context.Context, db DB, simulated bool) ([]BuildYield, error) {
	rows, err := db.Query(ctx, `
		WITH attempt AS (
			SELECT g.build, r.unit_type, r.serial, p.name AS plan, r.state, r.verdict,
			       coalesce(r.first_verdict, r.verdict) IN ('pass', 'conditional pass') AS passed_first,
			       r.verdict IN ('pass', 'conditional pass') AS passed,
			       coalesce(r.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail'), false)
			           AND r.state = 'done' AS judged,
			       row_number() OVER (ORDER BY g.submitted_at, r.attempt, r.queued_at) AS turn
			FROM run r
			JOIN campaign g ON g.id = r.campaign_id
			JOIN plan_version p ON p.id = g.plan_id
			WHERE g.simulated = $1 AND NOT r.golden
		), planned AS (
			SELECT build, unit_type, serial, plan,
			       (array_agg(passed_first ORDER BY turn) FILTER (WHERE judged))[1] AS first,
			       (array_agg(passed ORDER BY turn DESC) FILTER (WHERE judged))[1] AS last,
			       count(*) FILTER (WHERE state = 'error' OR verdict = 'error') AS errors,
			       count(*) FILTER (WHERE state IN ('done', 'cancelled') AND NOT judged AND verdict IS DISTINCT FROM 'error') AS aborted
			FROM attempt
			GROUP BY build, unit_type, serial, plan
		), unit AS (
			SELECT build, unit_type, serial, bool_and(first) AS first, bool_and(last) AS last,
			       sum(errors) AS errors, sum(aborted) AS aborted
			FROM planned
			GROUP BY build, unit_type, serial
		)
		SELECT u.build, u.unit_type, count(first), count(*) FILTER (WHERE first), count(*) FILTER (WHERE last),
		       count(*) FILTER (WHERE first IS NULL), sum(u.errors)::bigint, sum(u.aborted)::bigint
		FROM unit u
		JOIN build b ON b.name = u.build
		GROUP BY b.created_at, u.build, u.unit_type
		ORDER BY b.created_at, u.build, u.unit_type`, simulated)
	if err != nil {
		return nil, fmt.Errorf("results: counting yield: %w", err)
	}
	yields, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (BuildYield, error) {
		y := BuildYield{Simulated: simulated}
		err := row.Scan(&y.Build, &y.UnitType, &y.Units, &y.FirstPass, &y.Final, &y.Unjudged, &y.Errors, &y.Aborted)
		first, final := statistics.Wilson(y.FirstPass, y.Units, Level), statistics.Wilson(y.Final, y.Units, Level)
		y.FirstPassLow, y.FirstPassHigh = first.Low, first.High
		y.FinalLow, y.FinalHigh = final.Low, final.High
		y.FirstPassExact, y.FinalExact = statistics.Exact(y.FirstPass, y.Units, Level), statistics.Exact(y.Final, y.Units, Level)
		return y, err
	})
	if err != nil {
		return nil, fmt.Errorf("results: counting yield: %w", err)
	}
	return yields, nil
}
