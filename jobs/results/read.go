package results

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
)

const caseColumns = `c.id, c.run_id, c.segment, c.case_key, c.position, c.clause, c.band, c.rf_channel, c.carrier_hz,
	c.bandwidth_hz, c.scs_hz, c.connector, c.test_model, c.verdict, coalesce(c.error, ''), c.measured_at, c.duration_s, c.configuration, c.carriers, c.attempt, NOT c.last`

func (c *StoredCase) fields(duration *float64) []any {
	return []any{&c.ID, &c.Run, &c.Segment, &c.Key, &c.Position, &c.Clause, &c.Band, &c.RFChannel, &c.CarrierHz,
		&c.BandwidthHz, &c.SCSHz, &c.Connector, &c.TestModel, &c.Verdict, &c.Error, &c.MeasuredAt, duration, &c.Configuration, &c.Carriers, &c.Attempt, &c.Superseded}
}

// RunCases returns the cases of a run with their figures, in the order of the
// plan, every attempt at a case after the one before. A run without cases, or none at all, gives an empty list.
func RunCases(ctx context.Context, db DB, run uuid.UUID) ([]StoredCase, error) {
	cases, err := readCases(ctx, db, "c.run_id = $1", run)
	if err != nil {
		return nil, fmt.Errorf("results: cases of run %s: %w", run, err)
	}
	return cases, nil
}

// CaseByID returns one case with its figures, or ErrNotFound.
func CaseByID(ctx context.Context, db DB, id int64) (StoredCase, error) {
	cases, err := readCases(ctx, db, "c.id = $1", id)
	if err != nil {
		return StoredCase{}, fmt.Errorf("results: case %d: %w", id, err)
	}
	if len(cases) == 0 {
		return StoredCase{}, fmt.Errorf("results: case %d: %w", id, ErrNotFound)
	}
	return cases[0], nil
}

// readCases reads the cases that match and then, with one more query, their
// figures. Both see the same rows when db is one transaction.
func readCases(ctx context.Context, db DB, condition string, arg any) ([]StoredCase, error) {
	rows, err := db.Query(ctx, "SELECT "+caseColumns+" FROM measured_case c WHERE "+condition+" ORDER BY c.position, c.id", arg)
	if err != nil {
		return nil, err
	}
	cases, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c StoredCase, err error) {
		var seconds float64
		err = row.Scan(c.fields(&seconds)...)
		c.Duration = durationOf(seconds)
		return c, err
	})
	if err != nil {
		return nil, err
	}
	place := make(map[int64]int, len(cases))
	for i, c := range cases {
		place[c.ID] = i
	}
	rows, err = db.Query(ctx, "SELECT m.case_id, "+resultColumns+
		" FROM measurement m JOIN measured_case c ON c.id = m.case_id WHERE "+condition+" ORDER BY m.id", arg)
	if err != nil {
		return nil, err
	}
	var id int64
	var r conformance.Result // what it points to is made anew for every row
	_, err = pgx.ForEachRow(rows, append([]any{&id}, resultFields(&r)...), func() error {
		if i, known := place[id]; known { // a case stored between the two queries is left out whole
			cases[i].Results = append(cases[i].Results, r)
		}
		return nil
	})
	return cases, err
}

const resultColumns = `m.requirement_key, m.clause, m.title, m.quantity, m.side, m.unit, m.core, m.tolerance,
	m.tolerance_known, coalesce(m.mbw_hz, 0), coalesce(m.offset_from_hz, 0), coalesce(m.offset_to_hz, 0), m.source,
	m.tolerance_source, m.provenance, m.value, coalesce(m.at_hz, 0), m.lower_limit, m.upper_limit, m.margin,
	m.uncertainty, m.verdict, m.rule, m.note, m.probability, m.budget, m.max_uncertainty, m.tightened,
	m.carrier_power_dbm, m.correction_db, m.noise_floor`

// resultFields are where resultColumns go.
func resultFields(r *conformance.Result) []any {
	q := &r.Requirement
	return []any{&q.Key, &q.Clause, &q.Title, &q.Quantity, &q.Side, &q.Unit, &q.Core, &q.Tolerance,
		&q.ToleranceKnown, &q.MeasurementBandwidth, &q.OffsetFrom, &q.OffsetTo, &q.CoreSource,
		&q.ToleranceSource, &q.Provenance, &r.Value, &r.At, &r.Lower, &r.Upper, &r.Margin,
		&r.Uncertainty, &r.Verdict, &r.Rule, &r.Note, &r.Probability, &r.Budget, &r.MaxUncertainty, &r.Tightened,
		&r.CarrierPower, &r.Correction, &r.Floor}
}

// durationOf turns stored seconds into a duration, rounded to a microsecond.
func durationOf(seconds float64) time.Duration {
	return time.Duration(seconds * float64(time.Second)).Round(time.Microsecond)
}
