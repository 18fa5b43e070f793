package results

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/statistics"
)

// ReadingFilter selects readings; an empty field selects all. Simulated says
// which world: the two never mix.
type ReadingFilter struct {
	Build, UnitType, Serial, Bench string
	Clause, Requirement, Condition string
	Connector                      int
	Simulated                      bool

	golden   bool      // only runs of golden units, which otherwise never count
	limitSet string    // in force; empty: any
	since    time.Time // only runs that began then or later
}

// FigureName says what a reading is of: one limit at one condition, at whichever
// connector.
type FigureName struct {
	Build       string // empty where builds are taken together
	UnitType    string
	Clause      string
	Requirement string // key of the limit
	Title       string
	Unit        string // "dBm", "dB", "Hz" …; a margin to a limit in dBm is in dB
	Condition   string // band, channel, bandwidth, SCS, test model
}

// PopulationReading is one reading of a figure. Where one limit applies, Value
// is the margin to the test requirement, positive inside, so that masks with a
// slope compare; between two limits, and without any, it is the figure itself.
type PopulationReading struct {
	Run           uuid.UUID
	Case          int64
	Serial, Bench string
	Build         string
	Connector     int
	At            time.Time
	Value         float64
	Standard      float64 // standard uncertainty; zero where none is known
}

// Population is the readings of one figure in the order they were taken.
type Population struct {
	FigureName
	// Limits are what a reading is held against: zero below for a margin, the
	// test requirement for a figure between two limits, none without a limit.
	// Uncertainty that tightened a requirement is not counted: it is no property
	// of the units.
	Limits   statistics.Limits
	Margin   bool // readings are margins
	Readings []PopulationReading
}

// Values returns the readings alone.
func (p Population) Values() []float64 {
	xs := make([]float64, len(p.Readings))
	for i, r := range p.Readings {
		xs[i] = r.Value
	}
	return xs
}

// Uncertainty is the median standard uncertainty of the readings that have one;
// zero where none has.
func (p Population) Uncertainty() float64 {
	var us []float64
	for _, r := range p.Readings {
		if r.Standard > 0 {
			us = append(us, r.Standard)
		}
	}
	if len(us) == 0 {
		return 0
	}
	median, err := statistics.Median(us)
	if err != nil {
		return 0
	}
	return median
}

// eachPopulation hands over the readings of one figure after the other: of every
// transmitter (a connector of a unit) the first judged attempt, as first-pass
// yield counts, or with every all of them over all builds. Of the whole store
// only one figure is in memory at a time.
func eachPopulation(ctx context.Context, db DB, f ReadingFilter, every bool, visit func(Population) error) error {
	rows, err := db.Query(ctx, `
		SELECT CASE WHEN $8 THEN '' ELSE build END AS figure_build, unit_type, clause, requirement_key, title, unit,
		       band, rf_channel, bandwidth_hz, scs_hz, test_model, configuration,
		       lower_limit, upper_limit, value, standard, run_id, case_id, serial, bench, build, connector, measured_at
		FROM (
			SELECT g.build, b.created_at, r.unit_type, c.clause, m.requirement_key, m.title, m.unit,
			       c.band, c.rf_channel, c.bandwidth_hz, c.scs_hz, c.test_model, c.configuration,
			       m.lower_limit - m.tightened AS lower_limit, m.upper_limit + m.tightened AS upper_limit, m.value,
			       coalesce((m.budget->>'combined')::double precision, m.uncertainty / 2) AS standard,
			       r.id AS run_id, c.id AS case_id, r.serial, coalesce(r.bench, '') AS bench, c.connector, c.measured_at,
			       row_number() OVER (PARTITION BY g.build, r.unit_type, c.clause, m.requirement_key, m.unit, c.band, c.rf_channel,
			           c.bandwidth_hz, c.scs_hz, c.test_model, c.configuration, r.serial, c.connector
			           ORDER BY g.submitted_at, r.attempt, r.queued_at, r.id, c.position, c.attempt) AS turn
			FROM run r
			JOIN campaign g ON g.id = r.campaign_id
			JOIN build b ON b.name = g.build
			JOIN measured_case c ON c.run_id = r.id
			JOIN measurement m ON m.case_id = c.id
			WHERE g.simulated = $1 AND r.state = 'done' AND r.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')
			  AND ($2 = '' OR g.build = $2) AND ($3 = '' OR r.unit_type = $3) AND ($4 = '' OR r.serial = $4) AND ($5 = '' OR r.bench = $5)
			  AND ($6 = '' OR c.clause = $6) AND ($7 = '' OR m.requirement_key = $7) AND ($9 = 0 OR c.connector = $9)
			  AND r.golden = $10 AND ($11 = '' OR g.limit_set = $11)
			  AND coalesce(r.started_at, r.finished_at, r.queued_at) >= $12
		) reading
		WHERE $8 OR turn = 1
		ORDER BY CASE WHEN NOT $8 THEN created_at END, figure_build, unit_type, clause, requirement_key, unit,
		         band, rf_channel, bandwidth_hz, scs_hz, test_model, configuration, measured_at, case_id`,
		f.Simulated, f.Build, f.UnitType, f.Serial, f.Bench, f.Clause, f.Requirement, every, f.Connector, f.golden, f.limitSet, f.since)
	if err != nil {
		return fmt.Errorf("results: reading figures of a population: %w", err)
	}
	var p Population
	var row populationRow
	_, err = pgx.ForEachRow(rows, row.fields(), func() error {
		name := row.name
		name.Condition = row.condition()
		if f.Condition != "" && f.Condition != name.Condition {
			return nil
		}
		limits, reading := row.reading()
		if name != p.FigureName || !every && !equalLimits(limits, p.Limits) {
			if err := handOver(p, visit); err != nil {
				return err
			}
			p = Population{FigureName: name}
		}
		p.Limits, p.Margin = limits, (row.lower == nil) != (row.upper == nil)
		p.Readings = append(p.Readings, reading)
		return nil
	})
	if err == nil {
		err = handOver(p, visit)
	}
	if err != nil {
		return fmt.Errorf("results: reading figures of a population: %w", err)
	}
	return nil
}

func handOver(p Population, visit func(Population) error) error {
	if len(p.Readings) == 0 {
		return nil
	}
	return visit(p)
}

// populationRow is one row of the query, and where its columns go.
type populationRow struct {
	name                          FigureName
	band, channel, model, several string
	bandwidth, scs                float64
	lower, upper                  *float64
	value, standard               float64
	at                            PopulationReading
}

func (r *populationRow) fields() []any {
	return []any{&r.name.Build, &r.name.UnitType, &r.name.Clause, &r.name.Requirement, &r.name.Title, &r.name.Unit,
		&r.band, &r.channel, &r.bandwidth, &r.scs, &r.model, &r.several, &r.lower, &r.upper, &r.value, &r.standard,
		&r.at.Run, &r.at.Case, &r.at.Serial, &r.at.Bench, &r.at.Build, &r.at.Connector, &r.at.At}
}

func (r *populationRow) condition() string {
	return ConditionOf(Case{Band: r.band, RFChannel: conformance.RFChannel(r.channel), BandwidthHz: r.bandwidth, SCSHz: r.scs, TestModel: r.model, Configuration: r.several})
}

// ConditionOf names everything that the figures of a case depend on but the
// connector, as populations have it.
func ConditionOf(c Case) string {
	if c.Configuration != "" {
		return fmt.Sprintf("%s %s, channel %s, %s", c.Band, c.Configuration, c.RFChannel, c.TestModel)
	}
	return fmt.Sprintf("%s %s, SCS %s, channel %s, %s", c.Band, rf.Hertz(c.BandwidthHz), rf.Hertz(c.SCSHz), c.RFChannel, c.TestModel)
}

func (r *populationRow) reading() (statistics.Limits, PopulationReading) {
	reading := r.at
	reading.Value, reading.Standard = r.value, r.standard
	zero := 0.0
	switch {
	case r.lower != nil && r.upper != nil:
		return statistics.Limits{Lower: tidy(*r.lower), Upper: tidy(*r.upper)}, reading
	case r.upper != nil:
		reading.Value = *r.upper - r.value
		return statistics.Limits{Lower: &zero}, reading
	case r.lower != nil:
		reading.Value = r.value - *r.lower
		return statistics.Limits{Lower: &zero}, reading
	}
	return statistics.Limits{}, reading
}

// tidy takes out what adding the tightening back has left: a limit is a figure
// of few decimals.
func tidy(limit float64) *float64 {
	limit = math.Round(limit*1e9) / 1e9
	return &limit
}

func equalLimits(a, b statistics.Limits) bool {
	equal := func(x, y *float64) bool { return x == nil && y == nil || x != nil && y != nil && *x == *y }
	return equal(a.Lower, b.Lower) && equal(a.Upper, b.Upper)
}

// tolerance is what conforms, in the unit of the readings.
func (p Population) tolerance() conformance.Interval {
	i := conformance.Interval{Low: math.Inf(-1), High: math.Inf(1)}
	if p.Limits.Lower != nil {
		i.Low = *p.Limits.Lower
	}
	if p.Limits.Upper != nil {
		i.High = *p.Limits.Upper
	}
	return i
}
