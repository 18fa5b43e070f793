package results

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"go.uber.org/goleak"

	"benchyard/jobs/conformance"
	"benchyard/jobs/postgres"
	"benchyard/jobs/uncertainty"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// store is a database with one inventory, to which a test adds what it needs.
type store struct {
	tb   testing.TB
	pool *pgxpool.Pool
	lab  int64
	made int // counts rows, for names and times that rise
}

func newStore(tb testing.TB) *store {
	tb.Helper()
	s := &store{tb: tb, pool: postgres.Test(tb)}
	s.row(&s.lab, `INSERT INTO lab_version (name, simulated, content_hash, document, applied_by) VALUES ('lab', true, 'h', '', 'test') RETURNING id`)
	return s
}

func (s *store) exec(sql string, args ...any) {
	s.tb.Helper()
	if _, err := s.pool.Exec(context.Background(), sql, args...); err != nil {
		s.tb.Fatal(err)
	}
}

func (s *store) row(dst any, sql string, args ...any) {
	s.tb.Helper()
	if err := s.pool.QueryRow(context.Background(), sql, args...).Scan(dst); err != nil {
		s.tb.Fatal(err)
	}
}

// campaign submits plan for a build.
func (s *store) campaign(build, plan string, simulated bool) uuid.UUID {
	s.tb.Helper()
	s.made++
	at := time.Date(2026, 1, 1, 0, s.made, 0, 0, time.UTC)
	s.exec(`INSERT INTO build (name, created_at) VALUES ($1, $2) ON CONFLICT DO NOTHING`, build, at)
	var planID int64
	s.row(&planID, `INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ($1, $2, '', 'test') RETURNING id`,
		plan, fmt.Sprint("hash ", s.made))
	id := uuid.New()
	s.exec(`INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by, submitted_at)
		VALUES ($1, 'c', $2, $3, $4, $5, 'limits', 'test', $6)`, id, planID, s.lab, build, simulated, at)
	return id
}

// run adds one attempt of a unit that asks for cases, all in segment 1.
func (s *store) run(campaign uuid.UUID, serial, unitType string, attempt, cases int) uuid.UUID {
	s.tb.Helper()
	s.exec(`INSERT INTO radio_unit (serial, type, revision) VALUES ($1, $2, 'A') ON CONFLICT DO NOTHING`, serial, unitType)
	id := uuid.New()
	s.exec(`INSERT INTO run (id, campaign_id, serial, unit_type, attempt, cases, repeats)
		VALUES ($1, $2, $3, $4, $5, $6, (SELECT id FROM run WHERE campaign_id = $2 AND serial = $3 AND attempt = $5 - 1))`,
		id, campaign, serial, unitType, attempt, cases)
	s.exec(`INSERT INTO run_segment (run_id, number, title, cases) VALUES ($1, 1, 'n78', $2)`, id, cases)
	return id
}

// finish stores cases in a run, closes it and marks it with the state.
func (s *store) finish(run uuid.UUID, state string, cases ...Case) conformance.Verdict {
	s.tb.Helper()
	var verdict conformance.Verdict
	err := s.inTx(func(tx pgx.Tx) (err error) {
		if err = InsertCases(context.Background(), tx, run, 1, cases); err != nil {
			return err
		}
		if verdict, err = CloseRun(context.Background(), tx, run); err != nil {
			return err
		}
		_, err = tx.Exec(context.Background(), `UPDATE run SET state = $2, finished_at = now() WHERE id = $1`, run, state)
		return err
	})
	if err != nil {
		s.tb.Fatal(err)
	}
	return verdict
}

func (s *store) inTx(do func(pgx.Tx) error) error {
	return pgx.BeginFunc(context.Background(), s.pool, do)
}

func (s *store) insert(run uuid.UUID, cases ...Case) error {
	return s.inTx(func(tx pgx.Tx) error { return InsertCases(context.Background(), tx, run, 1, cases) })
}

// counts returns the rows of cases, measurements and traces.
func (s *store) counts() [3]int {
	s.tb.Helper()
	var n [3]int
	for i, table := range []string{"measured_case", "measurement", "trace"} {
		s.row(&n[i], "SELECT count(*) FROM "+table)
	}
	return n
}

// caseOf makes a case whose single figure has the margin and the verdict that
// follows from it, or an error case for no margin at all.
func caseOf(key string, position int, clause string, margin ...float64) Case {
	c := Case{
		Key: key, Attempt: 1, Position: position, Clause: clause, Band: "n78", RFChannel: conformance.Middle,
		CarrierHz: 3.55e9, BandwidthHz: 100e6, SCSHz: 30e3, Connector: 1, TestModel: "NR-FR1-TM1.1",
		MeasuredAt: time.Date(2026, 11, 25, 9, 30, 0, 123456000, time.UTC), Duration: 1500 * time.Millisecond,
	}
	if len(margin) == 0 {
		c.Verdict, c.Error = conformance.ErrorVerdict, "analyzer: overload"
		return c
	}
	for i, m := range margin {
		c.Results = append(c.Results, resultOf(fmt.Sprintf("%s/%d", clause, i+1), clause, m))
	}
	return c
}

func resultOf(key, clause string, margin float64) conformance.Result {
	upper := -13.0
	verdict := conformance.Pass
	if margin < 0 {
		verdict = conformance.Fail
	}
	return conformance.Result{
		Requirement: conformance.Requirement{
			Key: key, Clause: clause, Title: "title", Quantity: "unwanted emission", Unit: "dBm", Side: conformance.UpperSide,
			Core: -14.5, Tolerance: 1.5, ToleranceKnown: true, MeasurementBandwidth: 1e6,
			OffsetFrom: 50e3, OffsetTo: 5e6, CoreSource: "core", ToleranceSource: "tolerance", Provenance: "spec",
		},
		Value: upper - margin, At: 3.6e9, Upper: &upper, Margin: margin, Uncertainty: 0.7,
		Budget: &uncertainty.Budget{
			Parts: []uncertainty.Part{
				{Name: "path correction", Kind: uncertainty.Normal, Value: 0.6, Divisor: 2, Sensitivity: 1, Standard: 0.3},
				{Name: "repeatability of the connection", Kind: uncertainty.Repeated, Value: 0.18, Divisor: 1, Sensitivity: 1, Standard: 0.18, DegreesOfFreedom: 9},
			},
			Combined: 0.35, EffectiveDoF: 128.6 + margin, Coverage: 2.02, Expanded: 0.7,
		},
		Probability: new(conformance.Conforms(upper-margin, 0.35, nil, &upper)), MaxUncertainty: new(0.5), Tightened: 0.2, CarrierPower: new(37.02), Correction: new(40.61),
		Floor:   &conformance.FloorShare{Measured: -78, Floor: -82, Excess: 4, Taken: 2.2048082512},
		Verdict: verdict, Rule: "shared-risk", Note: "a note",
	}
}
