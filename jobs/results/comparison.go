package results

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"

	"github.com/jackc/pgx/v5"

	"benchyard/jobs/statistics"
)

// Significance is the error rate of the tests of a comparison: for p of one
// test, and for q, the false-discovery rate, over all clauses.
const Significance = 0.05

const (
	// leastPairs is the first count of pairs whose signed ranks can be significant.
	leastPairs = 6
	// leastEach is the same for two sets of different units.
	leastEach = 4
)

// Comparison is what two builds differ in as populations of units. Single units
// that changed are Regressions: one broken unit among many moves no median.
type Comparison struct {
	BuildA, BuildB string
	Simulated      bool
	Yields         []YieldDifference // by unit type
	Clauses        []MarginShift     // by unit type and clause
}

// Compare compares the first-pass yield of two builds, over plans that were run
// under both, and the worst margin of every clause. simulated says which world.
func Compare(ctx context.Context, db DB, buildA, buildB string, simulated bool, material Material) (Comparison, error) {
	c := Comparison{BuildA: buildA, BuildB: buildB, Simulated: simulated}
	attempts, err := firstAttempts(ctx, db, buildA, buildB, simulated)
	if err != nil {
		return c, err
	}
	margins, err := latestMargins(ctx, db, buildA, buildB, simulated)
	if err != nil {
		return c, err
	}
	c.Yields = yieldDifferences(attempts, buildA, buildB)
	if c.Clauses, err = marginShifts(margins, buildA, buildB, material); err != nil {
		return c, fmt.Errorf("results: comparing builds %s and %s: %w", buildA, buildB, err)
	}
	return c, nil
}

// YieldDifference is how first-pass yield differs from build A to build B. Only
// plans that were run under both builds count, so that a shorter plan is no
// better build.
type YieldDifference struct {
	UnitType        string
	UnitsA, PassedA int
	UnitsB, PassedB int

	// Difference is the yield under B less that under A, with Newcombe's
	// interval at Level; P is Fisher's exact test. NaN without units on a side.
	Difference, Low, High float64
	P                     float64

	// Of the units with a verdict under both builds for a plan: passed under A
	// and not under B, the reverse, and McNemar's exact test of the two.
	Pairs, Worse, Better int
	PairedP              float64
}

// Unseen is the share of all units that may have got worse although none of the
// pairs did, at confidence Level.
func (d YieldDifference) Unseen() float64 { return statistics.NoneInN(d.Pairs, Level) }

// Remark says in words what the figures allow to claim.
func (d YieldDifference) Remark() string {
	unseen := 100 * d.Unseen()
	switch {
	case d.UnitsA == 0 || d.UnitsB == 0:
		return "no plan has a verdict under both builds: nothing to compare"
	case d.Pairs == 0:
		return "no unit was measured under both builds: the units differ as well as the builds"
	case d.Worse > 0 && d.PairedP <= Significance:
		return fmt.Sprintf("%d of %s passed before and fail now: more than chance explains", d.Worse, unitsText(d.Pairs))
	case d.Worse > 0:
		return fmt.Sprintf("%d of %s passed before and fail now: look at each; for all units it proves nothing yet%s", d.Worse, unitsText(d.Pairs), d.sample())
	case d.Pairs < statistics.ZeroFailureSample(Level, Level):
		return fmt.Sprintf("%s: a claim of no regression is weak; up to %.0f %% of all units may have got worse unseen", unitsText(d.Pairs), unseen)
	}
	return fmt.Sprintf("%s and none got worse: at 95 %% confidence fewer than %.1f %% of all units did", unitsText(d.Pairs), unseen)
}

// power is how often a study that is called large enough would see a change.
const power = 0.8

// sample says how many units of each build it would take to see yields like
// these differ; nothing where they do not, or where one of them is 0 or 100 %,
// of which a few units tell too little.
func (d YieldDifference) sample() string {
	a, b := float64(d.PassedA)/float64(d.UnitsA), float64(d.PassedB)/float64(d.UnitsB)
	n := statistics.SampleToTell(a, b, Significance, power)
	if n <= max(d.UnitsA, d.UnitsB) {
		return ""
	}
	return fmt.Sprintf("; to see yields of %.0f %% and %.0f %% differ takes %d units of each build", 100*a, 100*b, n)
}

func unitsText(n int) string {
	if n == 1 {
		return "1 unit"
	}
	return fmt.Sprintf("%d units", n)
}

// attempt is the first judged attempt of a unit at a plan under a build.
type attempt struct {
	Build, UnitType, Serial, Plan string
	Passed                        bool
}

func firstAttempts(ctx context.Context, db DB, buildA, buildB string, simulated bool) ([]attempt, error) {
	rows, err := db.Query(ctx, `
		SELECT DISTINCT ON (g.build, r.unit_type, r.serial, p.name)
		       g.build, r.unit_type, r.serial, p.name, coalesce(r.first_verdict, r.verdict) IN ('pass', 'conditional pass')
		FROM run r
		JOIN campaign g ON g.id = r.campaign_id
		JOIN plan_version p ON p.id = g.plan_id
		WHERE g.simulated = $3 AND g.build IN ($1, $2) AND NOT r.golden AND r.state = 'done'
		  AND r.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')
		ORDER BY g.build, r.unit_type, r.serial, p.name, g.submitted_at, r.attempt, r.queued_at`, buildA, buildB, simulated)
	if err != nil {
		return nil, fmt.Errorf("results: first attempts under %s and %s: %w", buildA, buildB, err)
	}
	attempts, err := pgx.CollectRows(rows, pgx.RowToStructByPos[attempt])
	if err != nil {
		return nil, fmt.Errorf("results: first attempts under %s and %s: %w", buildA, buildB, err)
	}
	return attempts, nil
}

// unitPlan is one unit's try at one plan.
type unitPlan struct{ serial, plan string }

func yieldDifferences(attempts []attempt, buildA, buildB string) []YieldDifference {
	byType := map[string]*[2]map[unitPlan]bool{}
	for _, a := range attempts {
		if byType[a.UnitType] == nil {
			byType[a.UnitType] = &[2]map[unitPlan]bool{{}, {}}
		}
		for i, build := range []string{buildA, buildB} {
			if a.Build == build {
				byType[a.UnitType][i][unitPlan{a.Serial, a.Plan}] = a.Passed
			}
		}
	}
	var list []YieldDifference
	for _, unitType := range slices.Sorted(maps.Keys(byType)) {
		list = append(list, differenceOf(unitType, byType[unitType][0], byType[unitType][1]))
	}
	return list
}

func differenceOf(unitType string, a, b map[unitPlan]bool) YieldDifference {
	d := YieldDifference{UnitType: unitType}
	underA, underB := plansOf(a), plansOf(b)
	inCommon := func(u unitPlan) bool { return underA[u.plan] && underB[u.plan] }
	d.UnitsA, d.PassedA = passing(a, inCommon)
	d.UnitsB, d.PassedB = passing(b, inCommon)
	difference, interval := statistics.Newcombe(d.PassedB, d.UnitsB, d.PassedA, d.UnitsA, Level)
	d.Difference, d.Low, d.High = difference, interval.Low, interval.High
	d.P = math.NaN()
	if d.UnitsA > 0 && d.UnitsB > 0 {
		d.P = statistics.FisherExact(d.PassedA, d.UnitsA-d.PassedA, d.PassedB, d.UnitsB-d.PassedB)
	}
	before := unitsPassed(a, func(u unitPlan) bool { _, both := b[u]; return both })
	after := unitsPassed(b, func(u unitPlan) bool { _, both := a[u]; return both })
	for serial, ok := range before {
		d.Pairs++
		switch now := after[serial]; {
		case ok && !now:
			d.Worse++
		case !ok && now:
			d.Better++
		}
	}
	d.PairedP = statistics.McNemar(d.Worse, d.Better)
	return d
}

func plansOf(tries map[unitPlan]bool) map[string]bool {
	plans := map[string]bool{}
	for u := range tries {
		plans[u.plan] = true
	}
	return plans
}

// unitsPassed tells of every unit whether it passed all plans that count.
func unitsPassed(tries map[unitPlan]bool, counts func(unitPlan) bool) map[string]bool {
	units := map[string]bool{}
	for u, ok := range tries {
		if counts(u) {
			before, seen := units[u.serial]
			units[u.serial] = ok && (before || !seen)
		}
	}
	return units
}

func passing(tries map[unitPlan]bool, counts func(unitPlan) bool) (units, good int) {
	for _, ok := range unitsPassed(tries, counts) {
		units++
		if ok {
			good++
		}
	}
	return units, good
}

// latestMargins are the worst margins of the last finished run that judged a
// clause of a unit under either build.
func latestMargins(ctx context.Context, db DB, buildA, buildB string, simulated bool) ([]unitMargin, error) {
	rows, err := db.Query(ctx, `
		SELECT DISTINCT ON (g.build, r.serial, k.clause) g.build, r.unit_type, r.serial, k.clause, k.unit, k.worst_margin
		FROM run_rollup k
		JOIN run r ON r.id = k.run_id
		JOIN campaign g ON g.id = r.campaign_id
		WHERE g.simulated = $3 AND g.build IN ($1, $2) AND NOT r.golden AND r.state = 'done' AND k.worst_margin IS NOT NULL
		  AND k.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')
		ORDER BY g.build, r.serial, k.clause, g.submitted_at DESC, r.attempt DESC`, buildA, buildB, simulated)
	if err != nil {
		return nil, fmt.Errorf("results: margins under %s and %s: %w", buildA, buildB, err)
	}
	margins, err := pgx.CollectRows(rows, pgx.RowToStructByPos[unitMargin])
	if err != nil {
		return nil, fmt.Errorf("results: margins under %s and %s: %w", buildA, buildB, err)
	}
	slices.SortFunc(margins, func(x, y unitMargin) int {
		return cmp.Or(cmp.Compare(x.UnitType, y.UnitType), cmp.Compare(x.Clause, y.Clause), cmp.Compare(x.Unit, y.Unit), cmp.Compare(x.Serial, y.Serial))
	})
	return margins, nil
}
