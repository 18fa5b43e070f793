package results

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
)

// Filter selects figures; an empty field selects all.
type Filter struct {
	Campaign uuid.UUID
	Run      uuid.UUID
	Serial   string
	Clause   string
	Verdict  conformance.Verdict // of the figure, not of its case
	Limit    int                 // most rows to return; zero means all
}

// Figure is one judged figure with everything that it was measured under.
type Figure struct {
	Campaign  uuid.UUID
	Build     string
	Simulated bool
	Serial    string
	UnitType  string
	Attempt   int
	Case      StoredCase // without its other Results
	Result    conformance.Result
}

// Figures returns the judged figures that match, by serial number, attempt and
// the order of the plan.
func Figures(ctx context.Context, db DB, f Filter) ([]Figure, error) {
	rows, err := db.Query(ctx, `
		SELECT r.campaign_id, g.build, g.simulated, r.serial, r.unit_type, r.attempt, `+caseColumns+`, `+resultColumns+`
		FROM measurement m
		JOIN measured_case c ON c.id = m.case_id
		JOIN run r ON r.id = c.run_id
		JOIN campaign g ON g.id = r.campaign_id
		WHERE ($1::uuid IS NULL OR r.campaign_id = $1)
		  AND ($2::uuid IS NULL OR r.id = $2)
		  AND ($3 = '' OR r.serial = $3)
		  AND ($4 = '' OR c.clause = $4)
		  AND ($5 = '' OR m.verdict = $5)
		ORDER BY r.serial, r.queued_at, r.attempt, c.position, m.id
		LIMIT $6`,
		uuidOrNull(f.Campaign), uuidOrNull(f.Run), f.Serial, f.Clause, string(f.Verdict), limitOrNull(f.Limit))
	if err != nil {
		return nil, fmt.Errorf("results: reading figures: %w", err)
	}
	figures, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (g Figure, err error) {
		var seconds float64
		fields := []any{&g.Campaign, &g.Build, &g.Simulated, &g.Serial, &g.UnitType, &g.Attempt}
		fields = append(append(fields, g.Case.fields(&seconds)...), resultFields(&g.Result)...)
		err = row.Scan(fields...)
		g.Case.Duration = durationOf(seconds)
		return g, err
	})
	if err != nil {
		return nil, fmt.Errorf("results: reading figures: %w", err)
	}
	return figures, nil
}

func uuidOrNull(id uuid.UUID) *uuid.UUID {
	if id == uuid.Nil {
		return nil
	}
	return &id
}

func limitOrNull(n int) *int {
	if n <= 0 {
		return nil
	}
	return &n
}
