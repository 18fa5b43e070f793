package results

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"

	"benchyard/jobs/statistics"
)

// BenchStudy tells how well benches agree about a clause: a gauge study of
// repeatability and reproducibility in which every unit was measured on every
// bench several times. A reading is a figure's distance from the limit in force,
// positive above it, so that masks with a slope compare; a figure with limits on
// both sides is its own reading. Runs of golden units never count.
type BenchStudy struct {
	Build, UnitType, Clause, Unit string
	Units, Benches                []string
	Figures                       int    // of the clause that were studied
	Case, Requirement             string // the figure that measuring spreads most, which the study is of
	Gauge                         statistics.Gauge
}

// BenchReport is every study that the store has data for, and for the rest what
// is missing.
type BenchReport struct {
	Studies []BenchStudy
	Missing []string
}

// BenchAgreement looks for units that were measured on several benches, at
// least twice on each, under one build. simulated says which world.
func BenchAgreement(ctx context.Context, db DB, simulated bool) (BenchReport, error) {
	var report BenchReport
	visits, err := visitsOf(ctx, db, simulated)
	if err != nil {
		return report, err
	}
	if len(visits) == 0 {
		report.Missing = []string{"no unit has been measured yet"}
	}
	for len(visits) > 0 {
		n := 1
		for n < len(visits) && visits[n].Build == visits[0].Build && visits[n].UnitType == visits[0].UnitType {
			n++
		}
		d := designOf(visits[:n])
		visits = visits[n:]
		if d.missing != "" {
			report.Missing = append(report.Missing, d.missing)
			continue
		}
		studies, err := d.study(ctx, db, simulated)
		if err != nil {
			return report, err
		}
		if len(studies) == 0 {
			report.Missing = append(report.Missing, d.name()+": no figure was judged on every bench at least twice and differs at all")
		}
		report.Studies = append(report.Studies, studies...)
	}
	return report, nil
}

// visit counts the finished runs of a unit on a bench.
type visit struct {
	Build, UnitType, Serial, Bench string
	Runs                           int
}

func visitsOf(ctx context.Context, db DB, simulated bool) ([]visit, error) {
	rows, err := db.Query(ctx, `
		SELECT g.build, r.unit_type, r.serial, r.bench, count(*)
		FROM run r
		JOIN campaign g ON g.id = r.campaign_id
		JOIN build b ON b.name = g.build
		WHERE g.simulated = $1 AND NOT r.golden AND r.state = 'done' AND r.bench IS NOT NULL
		  AND r.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')
		GROUP BY b.created_at, g.build, r.unit_type, r.serial, r.bench
		ORDER BY b.created_at, g.build, r.unit_type, r.serial, r.bench`, simulated)
	if err != nil {
		return nil, fmt.Errorf("results: runs on benches: %w", err)
	}
	visits, err := pgx.CollectRows(rows, pgx.RowToStructByPos[visit])
	if err != nil {
		return nil, fmt.Errorf("results: runs on benches: %w", err)
	}
	return visits, nil
}

// design is which units and benches a study can be of.
type design struct {
	build, unitType string
	units, benches  []string
	missing         string // what there is not enough of; empty for a design that works
}

func (d design) name() string { return d.unitType + " under " + d.build }

// designOf finds the greatest full rectangle of units and benches with two runs
// everywhere. Candidates are the bench sets of units and what two of them share.
func designOf(visits []visit) design {
	d := design{build: visits[0].Build, unitType: visits[0].UnitType}
	seen, often := map[string][]string{}, map[string][]string{}
	for _, v := range visits {
		seen[v.Serial] = append(seen[v.Serial], v.Bench)
		if v.Runs >= 2 {
			often[v.Serial] = append(often[v.Serial], v.Bench)
		}
	}
	sets := map[string][]string{} // each bench set once, however many units went round it
	for _, on := range often {
		sets[fmt.Sprint(on)] = on
	}
	for _, x := range sets {
		for _, y := range sets {
			both := slices.DeleteFunc(slices.Clone(x), func(b string) bool { return !slices.Contains(y, b) })
			units := unitsOn(often, both)
			if len(both) >= 2 && len(units) >= 2 && (len(units)*len(both) > len(d.units)*len(d.benches) ||
				len(units)*len(both) == len(d.units)*len(d.benches) && slices.Compare(both, d.benches) < 0) {
				d.units, d.benches = units, both
			}
		}
	}
	if len(d.units) == 0 {
		d.missing = d.name() + ": " + missingFor(seen, often)
	}
	return d
}

// unitsOn returns the units with two runs on each of the benches.
func unitsOn(often map[string][]string, benches []string) []string {
	var units []string
	for serial, on := range often {
		if !slices.ContainsFunc(benches, func(b string) bool { return !slices.Contains(on, b) }) {
			units = append(units, serial)
		}
	}
	slices.Sort(units)
	return units
}

func missingFor(seen, often map[string][]string) string {
	travelled, twice := 0, 0
	for serial, benches := range seen {
		if len(benches) >= 2 {
			travelled++
		}
		if len(often[serial]) >= 2 {
			twice++
		}
	}
	const ask = "mount at least 2 units, better 10, on each of 2 benches or more in turn, and run the same plan there at least twice"
	switch {
	case travelled == 0:
		return fmt.Sprintf("none of %s was measured on more than one bench; %s", unitsText(len(seen)), ask)
	case twice == 0:
		return fmt.Sprintf("%s measured on more than one bench, but none twice on two of them; repeat the runs", was(travelled))
	}
	return fmt.Sprintf("%s measured twice on more than one bench, but no two units on the same two; %s", was(twice), ask)
}

func was(n int) string {
	if n == 1 {
		return "1 unit was"
	}
	return fmt.Sprintf("%d units were", n)
}

// figureOf names what one study is of.
type figureOf struct{ clause, caseKey, requirement, unit string }

// reading is one figure of one run.
type reading struct {
	figure        figureOf
	serial, bench string
	value         float64
}

// study goes through the figures of the design, one at a time; of every clause
// it keeps the figure that measuring spreads most.
func (d design) study(ctx context.Context, db DB, simulated bool) ([]BenchStudy, error) {
	worst := map[[2]string]BenchStudy{}
	cells := map[[2]string][]float64{}
	var current figureOf
	err := d.eachReading(ctx, db, simulated, func(r reading) error {
		if r.figure != current {
			if err := d.weigh(worst, current, cells); err != nil {
				return err
			}
			current = r.figure
			clear(cells)
		}
		at := [2]string{r.serial, r.bench}
		cells[at] = append(cells[at], r.value)
		return nil
	})
	if err == nil {
		err = d.weigh(worst, current, cells)
	}
	if err != nil {
		return nil, fmt.Errorf("results: benches on %s: %w", d.name(), err)
	}
	return slices.SortedFunc(maps.Values(worst), func(x, y BenchStudy) int {
		return cmp.Or(cmp.Compare(x.Clause, y.Clause), cmp.Compare(x.Unit, y.Unit))
	}), nil
}

// weigh studies one figure and keeps it if measuring spreads it more than the
// figures of its clause before it.
func (d design) weigh(worst map[[2]string]BenchStudy, figure figureOf, cells map[[2]string][]float64) error {
	g, err := statistics.MeasureGauge(d.table(cells), statistics.Pooling)
	if errors.Is(err, statistics.ErrTooFew) || errors.Is(err, statistics.ErrNoSpread) {
		return nil // not judged on every bench, or the same everywhere
	} else if err != nil {
		return fmt.Errorf("%s of %s: %w", figure.requirement, figure.caseKey, err)
	}
	at := [2]string{figure.clause, figure.unit}
	s, seen := worst[at]
	if !seen || g.Measuring() > s.Gauge.Measuring() {
		s = BenchStudy{Build: d.build, UnitType: d.unitType, Clause: figure.clause, Unit: figure.unit, Units: d.units, Benches: d.benches,
			Figures: s.Figures, Case: figure.caseKey, Requirement: figure.requirement, Gauge: g}
	}
	s.Figures++
	worst[at] = s
	return nil
}

// table lays the readings out as units × benches × repeats: of each cell the
// latest, as many as the emptiest cell has.
func (d design) table(cells map[[2]string][]float64) [][][]float64 {
	repeats := -1
	for _, serial := range d.units {
		for _, bench := range d.benches {
			if n := len(cells[[2]string{serial, bench}]); repeats < 0 || n < repeats {
				repeats = n
			}
		}
	}
	table := make([][][]float64, len(d.units))
	for i, serial := range d.units {
		for _, bench := range d.benches {
			cell := cells[[2]string{serial, bench}]
			table[i] = append(table[i], cell[len(cell)-repeats:])
		}
	}
	return table
}

// eachReading hands over the readings of one figure after the other, those of a
// figure in the order they were taken. A round tour has millions: none is kept.
func (d design) eachReading(ctx context.Context, db DB, simulated bool, visit func(reading) error) error {
	rows, err := db.Query(ctx, `
		SELECT c.clause, c.case_key, m.requirement_key, m.unit, r.serial, r.bench,
		       CASE WHEN m.lower_limit IS NULL THEN m.value - m.upper_limit
		            WHEN m.upper_limit IS NULL THEN m.value - m.lower_limit
		            ELSE m.value END
		FROM run r
		JOIN campaign g ON g.id = r.campaign_id
		JOIN measured_case c ON c.run_id = r.id
		JOIN measurement m ON m.case_id = c.id
		WHERE g.simulated = $1 AND g.build = $2 AND r.unit_type = $3 AND r.serial = ANY($4) AND r.bench = ANY($5) AND NOT r.golden AND r.state = 'done' AND c.attempt = 1
		  AND r.verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')
		  AND (m.lower_limit IS NOT NULL OR m.upper_limit IS NOT NULL)
		ORDER BY c.clause COLLATE "C", c.case_key COLLATE "C", m.requirement_key COLLATE "C", m.unit, g.submitted_at, r.attempt, r.queued_at, r.id`,
		simulated, d.build, d.unitType, d.units, d.benches)
	if err != nil {
		return err
	}
	var r reading
	into := []any{&r.figure.clause, &r.figure.caseKey, &r.figure.requirement, &r.figure.unit, &r.serial, &r.bench, &r.value}
	_, err = pgx.ForEachRow(rows, into, func() error { return visit(r) })
	return err
}
