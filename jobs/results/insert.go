package results

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"benchyard/jobs/conformance"
)

// InsertCases stores the cases of one segment of a run in the caller's
// transaction, with their figures and traces. Everything is checked before the
// first row is sent; after an error the caller must roll back, and nothing is
// stored. An attempt at a case that the run has already gives ErrDuplicate.
func InsertCases(ctx context.Context, tx pgx.Tx, run uuid.UUID, segment int, cases []Case) error {
	if len(cases) == 0 {
		return nil
	}
	verdicts := make([]conformance.Verdict, len(cases))
	var traces [][]any
	for i, c := range cases {
		var err error
		if verdicts[i], err = c.check(); err != nil {
			return err
		}
		packed, err := traceRows(c)
		if err != nil {
			return err
		}
		traces = append(traces, packed...)
	}
	ids, err := insertCaseRows(ctx, tx, run, segment, cases, verdicts)
	if err != nil {
		return fmt.Errorf("results: storing segment %d of run %s: %w", segment, run, explain(err))
	}
	for _, row := range traces {
		row[0] = ids[row[0].(caseName)]
	}
	if err := copyRows(ctx, tx, "measurement", measurementColumns, measurementRows(cases, ids)); err != nil {
		return fmt.Errorf("results: storing figures of segment %d of run %s: %w", segment, run, explain(err))
	}
	if err := copyRows(ctx, tx, "trace", traceColumns, traces); err != nil {
		return fmt.Errorf("results: storing traces of segment %d of run %s: %w", segment, run, explain(err))
	}
	return nil
}

// caseName tells the attempts of a run apart.
type caseName struct {
	key     string
	attempt int
}

func (c Case) name() caseName { return caseName{c.Key, max(c.Attempt, 1)} }

// insertCaseRows inserts all cases with one statement, because COPY would not
// return the numbers that figures and traces refer to. It returns them by name.
func insertCaseRows(ctx context.Context, tx pgx.Tx, run uuid.UUID, segment int, cases []Case, verdicts []conformance.Verdict) (map[caseName]int64, error) {
	rows, err := tx.Query(ctx, `
		INSERT INTO measured_case (run_id, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz,
			scs_hz, connector, test_model, verdict, error, measured_at, duration_s, configuration, carriers, attempt, last)
		SELECT $1, $2, u.position, u.key, u.clause, u.band, u.channel, u.carrier, u.bandwidth,
			u.scs, u.connector, u.model, u.verdict, nullif(u.error, ''), u.at, u.duration, u.configuration, u.carriers, u.attempt, u.last
		FROM unnest($3::int[], $4::text[], $5::text[], $6::text[], $7::text[], $8::float8[], $9::float8[],
			$10::float8[], $11::int[], $12::text[], $13::text[], $14::text[], $15::timestamptz[], $16::float8[], $17::text[], $18::jsonb[], $19::int[], $20::boolean[])
			AS u(position, key, clause, band, channel, carrier, bandwidth, scs, connector, model, verdict, error, at, duration, configuration, carriers, attempt, last)
		RETURNING case_key, attempt, id`,
		run, segment,
		column(cases, func(c Case) int { return c.Position }),
		column(cases, func(c Case) string { return c.Key }),
		column(cases, func(c Case) string { return c.Clause }),
		column(cases, func(c Case) string { return c.Band }),
		column(cases, func(c Case) string { return string(c.RFChannel) }),
		column(cases, func(c Case) float64 { return c.CarrierHz }),
		column(cases, func(c Case) float64 { return c.BandwidthHz }),
		column(cases, func(c Case) float64 { return c.SCSHz }),
		column(cases, func(c Case) int { return c.Connector }),
		column(cases, func(c Case) string { return c.TestModel }),
		column(verdicts, func(v conformance.Verdict) string { return string(v) }),
		column(cases, func(c Case) string { return c.Error }),
		column(cases, func(c Case) time.Time { return c.MeasuredAt }),
		column(cases, func(c Case) float64 { return c.Duration.Seconds() }),
		column(cases, func(c Case) string { return c.Configuration }),
		column(cases, carriersOf),
		column(cases, func(c Case) int { return c.name().attempt }),
		column(cases, func(c Case) bool { return !c.Superseded }),
	)
	if err != nil {
		return nil, err
	}
	ids := make(map[caseName]int64, len(cases))
	var name caseName
	var id int64
	_, err = pgx.ForEachRow(rows, []any{&name.key, &name.attempt, &id}, func() error { ids[name] = id; return nil })
	return ids, err
}

// carriersOf returns the carriers of a configuration as JSON, nil for a single one.
func carriersOf(c Case) []byte {
	if len(c.Carriers) == 0 {
		return nil
	}
	text, _ := json.Marshal(c.Carriers) // finite numbers and words: there is nothing to fail
	return text
}

func column[Row, T any](rows []Row, of func(Row) T) []T {
	values := make([]T, len(rows))
	for i, r := range rows {
		values[i] = of(r)
	}
	return values
}

var measurementColumns = []string{"case_id", "requirement_key", "clause", "title", "quantity", "side", "value", "unit",
	"lower_limit", "upper_limit", "margin", "uncertainty", "at_hz", "core", "tolerance", "tolerance_known", "mbw_hz",
	"offset_from_hz", "offset_to_hz", "verdict", "rule", "note", "source", "tolerance_source", "provenance",
	"probability", "budget", "max_uncertainty", "tightened", "carrier_power_dbm", "correction_db", "noise_floor"}

func measurementRows(cases []Case, ids map[caseName]int64) [][]any {
	var rows [][]any
	for _, c := range cases {
		for _, r := range c.Results {
			q := r.Requirement
			rows = append(rows, []any{ids[c.name()], q.Key, q.Clause, q.Title, q.Quantity, string(q.Side), r.Value, q.Unit,
				r.Lower, r.Upper, r.Margin, r.Uncertainty, orNull(float64(r.At)), q.Core, q.Tolerance, q.ToleranceKnown,
				orNull(float64(q.MeasurementBandwidth)), orNull(float64(q.OffsetFrom)), orNull(float64(q.OffsetTo)),
				string(r.Verdict), r.Rule, r.Note, q.CoreSource, q.ToleranceSource, q.Provenance,
				r.Probability, r.Budget, r.MaxUncertainty, r.Tightened, r.CarrierPower, r.Correction, r.Floor})
		}
	}
	return rows
}

// orNull stores a frequency that is zero because there is none as null.
func orNull(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

var traceColumns = []string{"case_id", "number", "role", "start_hz", "step_hz", "points", "rbw_hz", "noise_bandwidth_hz", "settings", "levels", "unit_told", "blob", "blob_from", "blob_size"}

// traceRows has the name of the case where its number will be.
func traceRows(c Case) ([][]any, error) {
	rows := make([][]any, len(c.Traces))
	for i, t := range c.Traces {
		levels, err := encodeLevels(t.Spectrum.Levels)
		if err != nil {
			return nil, fmt.Errorf("results: case %s, trace %d (%s): %w", c.Key, i+1, t.Role, err)
		}
		var from, size *int64
		if t.object != nil {
			from, size = new(int64), new(int64)
			*size = int64(len(levels))
			levels = nil
		}
		settings, err := encodeSweep(t.Sweep)
		if err != nil {
			return nil, fmt.Errorf("results: case %s, trace %d (%s): %w", c.Key, i+1, t.Role, err)
		}
		s := t.Spectrum
		rows[i] = []any{c.name(), i + 1, t.Role, float64(s.Start), float64(s.Step), len(s.Levels),
			float64(s.RBW), float64(s.NoiseBandwidth), settings, levels, t.Unit, t.object, from, size}
	}
	return rows, nil
}

func copyRows(ctx context.Context, tx pgx.Tx, table string, columns []string, rows [][]any) error {
	if len(rows) == 0 {
		return nil
	}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{table}, columns, pgx.CopyFromRows(rows))
	return err
}

// explain turns the constraints that protect the store into words.
func explain(err error) error {
	var pgErr *pgconn.PgError
	if !errors.As(err, &pgErr) {
		return err
	}
	switch pgErr.ConstraintName {
	case "measured_case_attempt_key", "measured_case_last":
		return fmt.Errorf("%w: %s", ErrDuplicate, pgErr.Detail)
	case "measured_case_run_id_segment_fkey":
		return fmt.Errorf("%w: the run has no such segment", ErrNotFound)
	}
	return err
}
