package results

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/conformance"
)

// ClauseWorst is the figure with the least margin that a campaign found for a
// clause, among the last attempts of its units and cases.
type ClauseWorst struct {
	Clause      string
	Verdict     conformance.Verdict // of the worst figure
	Margin      float64             // in Unit, dB where Unit is dBm; positive passes
	Unit        string
	Value       float64
	Requirement string // key of the limit
	Serial      string
	Run         uuid.UUID
	Case        int64
	Units       int // with a figure for the clause
	Failed      int // of these, with a figure that failed, conditionally or not
}

// WorstByClause returns the worst figure of every clause of a campaign, golden units
// left out.
func WorstByClause(ctx context.Context, db DB, campaign uuid.UUID) ([]ClauseWorst, error) {
	rows, err := db.Query(ctx, `
		WITH figure AS (
			SELECT c.clause, m.verdict, m.margin, m.unit, m.value, m.requirement_key, r.serial, r.id AS run_id, c.id AS case_id, m.id
			FROM run r
			JOIN measured_case c ON c.run_id = r.id
			JOIN measurement m ON m.case_id = c.id
			WHERE r.campaign_id = $1 AND NOT r.golden AND c.last AND NOT EXISTS (SELECT FROM run later WHERE later.repeats = r.id)
		), counted AS (
			SELECT clause, count(DISTINCT serial) AS units,
			       count(DISTINCT serial) FILTER (WHERE verdict IN ('fail', 'conditional fail')) AS failed
			FROM figure GROUP BY clause
		)
		SELECT DISTINCT ON (clause) clause, verdict, margin, unit, value, requirement_key, serial, run_id, case_id, units, failed
		FROM figure JOIN counted USING (clause)
		ORDER BY clause, margin, serial, figure.id`, campaign)
	if err != nil {
		return nil, fmt.Errorf("results: worst figures of campaign %s: %w", campaign, err)
	}
	worst, err := pgx.CollectRows(rows, pgx.RowToStructByPos[ClauseWorst])
	if err != nil {
		return nil, fmt.Errorf("results: worst figures of campaign %s: %w", campaign, err)
	}
	return worst, nil
}

// Material is the change of a margin from which it is worth reporting: smaller
// ones are the repeatability of the measurement. A field that is zero means
// that of DefaultMaterial.
type Material struct {
	Decibels float64 // for margins of levels and ratios, dB
	Hertz    float64 // for margins of bandwidths, Hz
}

// DefaultMaterial is above what averaging and remounting leave: half a decibel,
// and a quarter of a megahertz of occupied bandwidth.
func DefaultMaterial() Material { return Material{Decibels: 0.5, Hertz: 250e3} }

func (m Material) of(unit string) float64 {
	d := DefaultMaterial()
	if unit == "Hz" {
		return cmp.Or(m.Hertz, d.Hertz)
	}
	return cmp.Or(m.Decibels, d.Decibels)
}

// Regression is what became of one clause of one unit from build A to build B.
type Regression struct {
	Serial             string
	UnitType           string
	Clause             string
	Unit               string // of the quantity; the margins are in dB where it is dBm
	MarginA, MarginB   float64
	VerdictA, VerdictB conformance.Verdict
	RunA, RunB         uuid.UUID
}

// Change is how much the worst margin moved; negative is for the worse.
func (r Regression) Change() float64 { return r.MarginB - r.MarginA }

// Worse tells whether the verdict got worse or, with the same verdict, the margin.
func (r Regression) Worse() bool {
	if r.VerdictA != r.VerdictB {
		return conformance.Worst([]conformance.Verdict{r.VerdictA, r.VerdictB}) == r.VerdictB
	}
	return r.Change() < 0
}

// Regressions compares two builds unit by unit and clause by clause: the worst
// margins of the last finished run that judged the clause under either. It
// returns the pairs whose verdict changed or whose margin moved by material or
// more, in both directions: first those whose verdict got worse, last those
// whose verdict got better, and the worst mover first among equals, measured in
// multiples of material. simulated says which world to compare.
func Regressions(ctx context.Context, db DB, buildA, buildB string, simulated bool, material Material) ([]Regression, error) {
	rows, err := db.Query(ctx, `
		WITH latest AS (
			SELECT DISTINCT ON (g.build, r.serial, k.clause)
			       g.build, r.serial, r.unit_type, k.clause, k.unit, k.worst_margin, k.verdict, r.id
			FROM run_rollup k
			JOIN run r ON r.id = k.run_id
			JOIN campaign g ON g.id = r.campaign_id
			WHERE g.simulated = $3 AND g.build IN ($1, $2) AND NOT r.golden AND r.state = 'done' AND k.worst_margin IS NOT NULL
			  AND k.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')
			ORDER BY g.build, r.serial, k.clause, g.submitted_at DESC, r.attempt DESC
		)
		SELECT b.serial, b.unit_type, b.clause, b.unit, a.worst_margin, b.worst_margin, a.verdict, b.verdict, a.id, b.id
		FROM latest a
		JOIN latest b ON b.serial = a.serial AND b.clause = a.clause AND b.unit = a.unit
		WHERE a.build = $1 AND b.build = $2`, buildA, buildB, simulated)
	if err != nil {
		return nil, fmt.Errorf("results: comparing builds %s and %s: %w", buildA, buildB, err)
	}
	pairs, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Regression])
	if err != nil {
		return nil, fmt.Errorf("results: comparing builds %s and %s: %w", buildA, buildB, err)
	}
	pairs = slices.DeleteFunc(pairs, func(r Regression) bool {
		return r.VerdictA == r.VerdictB && math.Abs(r.Change()) < material.of(r.Unit)
	})
	slices.SortFunc(pairs, func(x, y Regression) int {
		return cmp.Or(
			cmp.Compare(direction(x), direction(y)),
			cmp.Compare(x.Change()/material.of(x.Unit), y.Change()/material.of(y.Unit)),
			cmp.Compare(x.Serial, y.Serial),
			cmp.Compare(x.Clause, y.Clause),
		)
	})
	return pairs, nil
}

// direction sorts by what became of the verdict: worse, the same, better.
func direction(r Regression) int {
	switch {
	case r.VerdictA == r.VerdictB:
		return 1
	case r.Worse():
		return 0
	}
	return 2
}
