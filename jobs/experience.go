package jobs

import (
	"context"
	"fmt"
	"math"
	"time"

	"benchyard/jobs/scheduler"

	"github.com/jackc/pgx/v5"
)

// setUp is what stands on a bench for a run, as stored with it.
type setUp struct {
	Band     string `json:"band,omitempty"`
	Cabling  string `json:"cabling,omitempty"`
	FrontEnd string `json:"front_end,omitempty"`
}

func (s setUp) family() scheduler.Family { return scheduler.Family(s) }

// experience is what finished runs teach the scheduler: how long runs take, what
// set-ups take, what stands on each bench, and who used how much.
type experience struct {
	pace     scheduler.Seen            // of the newest segments, over their nominal times
	kinds    map[string]scheduler.Seen // of runs, by runKind and by runKind on a bench
	changes  map[scheduler.Change]scheduler.SetUpSeen
	standing map[string]scheduler.Family // by bench: of the run that began last
	ledger   *scheduler.Ledger
}

// What is looked at: more would be old, less would know little.
const (
	paceSegments = 200
	taughtRuns   = 2000
	countedUse   = 5 // half-lives of use; what is older counts a thirtieth
)

// readExperience reads it from the tables.
func readExperience(ctx context.Context, db DB, p scheduler.Policy, now time.Time) (*experience, error) {
	e := &experience{
		kinds: map[string]scheduler.Seen{}, changes: map[scheduler.Change]scheduler.SetUpSeen{},
		standing: map[string]scheduler.Family{}, ledger: scheduler.NewLedger(p),
	}
	err := db.QueryRow(ctx, `
		SELECT count(*), coalesce(avg(ratio), 0), coalesce(var_pop(ratio), 0) FROM (
			SELECT ln(extract(epoch FROM s.finished_at - s.started_at)::float8 / (r.estimate_s * s.cases / r.cases)) AS ratio
			FROM run_segment s JOIN run r ON r.id = s.run_id
			WHERE s.state = 'done' AND s.finished_at > s.started_at AND r.estimate_s > 0 AND s.cases > 0
			ORDER BY s.finished_at DESC LIMIT $1) newest`, paceSegments).Scan(&e.pace.N, &e.pace.Mean, &e.pace.Variance)
	if err == nil {
		err = e.readRuns(ctx, db)
	}
	if err == nil {
		err = e.readUse(ctx, db, p, now)
	}
	if err != nil {
		return nil, fmt.Errorf("jobs: what finished runs teach: %w", err)
	}
	return e, nil
}

// taught is a finished run: how long its segments took, and how long the way to
// its first measurement was, persons included.
type taught struct {
	Plan, Type, Bench string
	Nominal           float64 // s
	Took              float64 // s
	Led               float64 // s until something was measured
	SetUp             setUp
	Before            *setUp // of the run before it on the bench; nil: none is known
}

// readRuns learns kinds and set-ups. The way to the first measurement of a run
// that found its own set-up on the bench is part of every run; what it takes
// longer after a change is the set-up.
func (e *experience) readRuns(ctx context.Context, db DB) error {
	rows, err := db.Query(ctx, `
		SELECT p.name, r.unit_type, r.bench, r.estimate_s, m.took, m.led, r.set_up, r.before
		FROM (SELECT *, lag(set_up) OVER (PARTITION BY bench ORDER BY started_at) AS before
		      FROM (SELECT * FROM run WHERE state = 'done' AND bench IS NOT NULL AND estimate_s > 0 ORDER BY started_at DESC NULLS LAST LIMIT $1) newest) r
		JOIN campaign c ON c.id = r.campaign_id JOIN plan_version p ON p.id = c.plan_id
		CROSS JOIN LATERAL (
			SELECT (SELECT sum(extract(epoch FROM finished_at - started_at)) FROM run_segment WHERE run_id = r.id AND state = 'done')::float8 AS took,
			       coalesce((SELECT sum(duration_s) FROM run_step WHERE run_id = r.id AND segment = 1), 0)
			       + coalesce((SELECT sum(extract(epoch FROM ended_at - asked_at)) FROM prompt WHERE run_id = r.id AND state = 'done'), 0)::float8 AS led
		) m WHERE m.took > 0`, taughtRuns)
	if err != nil {
		return err
	}
	runs, err := pgx.CollectRows(rows, pgx.RowToStructByPos[taught])
	if err != nil {
		return err
	}
	own, n := 0.0, 0.0
	for _, r := range runs {
		if r.Before != nil && *r.Before == r.SetUp {
			own, n = own+r.Led, n+1
		}
	}
	own /= max(1, n)
	kinds := map[string][]float64{}
	for _, r := range runs {
		if r.Before != nil && *r.Before != r.SetUp {
			extra := max(0, r.Led-own)
			e.change(scheduler.Change{From: r.Before.family(), To: r.SetUp.family()}, extra)
			r.Took -= extra
		}
		if r.Took > 0 {
			ratio, kind := math.Log(r.Took/r.Nominal), runKind(r.Plan, r.Type)
			kinds[kind] = append(kinds[kind], ratio)
			kinds[onBench(kind, r.Bench)] = append(kinds[onBench(kind, r.Bench)], ratio)
		}
	}
	for kind, ratios := range kinds {
		e.kinds[kind] = seen(ratios)
	}
	return nil
}

func (e *experience) change(c scheduler.Change, seconds float64) {
	s := e.changes[c]
	s.Mean += time.Duration(seconds*float64(time.Second)-float64(s.Mean)) / time.Duration(s.N+1)
	s.N++
	e.changes[c] = s
}

func seen(ratios []float64) scheduler.Seen {
	s := scheduler.Seen{N: len(ratios)}
	for _, r := range ratios {
		s.Mean += r / float64(s.N)
	}
	for _, r := range ratios {
		s.Variance += (r - s.Mean) * (r - s.Mean) / float64(s.N)
	}
	return s
}

// readUse reads who used how much bench time, and what stands on the benches.
func (e *experience) readUse(ctx context.Context, db DB, p scheduler.Policy, now time.Time) error {
	halfLife := e.ledger.HalfLife().Seconds()
	rows, err := db.Query(ctx, `
		SELECT c.requested_by, sum(extract(epoch FROM coalesce(s.finished_at, now()) - s.started_at)
		       * power(2, -extract(epoch FROM now() - coalesce(s.finished_at, now())) / $1))::float8
		FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN run_segment s ON s.run_id = r.id
		WHERE r.started_at > now() - $1 * $2 * interval '1 second' AND s.started_at IS NOT NULL
		GROUP BY c.requested_by`, halfLife, countedUse)
	if err != nil {
		return err
	}
	var name string
	var seconds float64
	_, err = pgx.ForEachRow(rows, []any{&name, &seconds}, func() error {
		e.ledger.Charge(name, time.Duration(seconds*float64(time.Second)), now)
		return nil
	})
	if err != nil {
		return err
	}
	rows, err = db.Query(ctx, `SELECT b.name, r.set_up FROM bench b CROSS JOIN LATERAL (
		SELECT set_up FROM run WHERE bench = b.name AND started_at IS NOT NULL ORDER BY started_at DESC LIMIT 1) r`)
	if err != nil {
		return err
	}
	var stands setUp
	_, err = pgx.ForEachRow(rows, []any{&name, &stands}, func() error {
		e.standing[name], stands = stands.family(), setUp{}
		return nil
	})
	return err
}

// takes estimates a run of a nominal time on a bench.
func (e *experience) takes(kind, bench string, nominal time.Duration) scheduler.Estimate {
	return scheduler.Learn(nominal, e.pace, e.kinds[kind], e.kinds[onBench(kind, bench)])
}

// setUpTime returns what set-ups take by what was seen.
func (e *experience) setUpTime() scheduler.SetUpTime {
	return scheduler.LearntSetUps(scheduler.Nominal, e.changes)
}

// runKind names runs that are alike: a plan on a type of radio unit.
func runKind(plan, unitType string) string { return plan + "\x00" + unitType }

func onBench(kind, bench string) string { return kind + "\x00" + bench }
