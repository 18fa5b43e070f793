package results

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"benchyard/jobs/statistics"
)

// farOut is the rule of statistics.Chart.Zones that a single reading can break:
// it lies beyond three sigma.
const farOut = 1

// GoldenFigure is one figure of the golden unit of a bench at one connector. The
// unit is kept unchanged, so what moves is the bench.
type GoldenFigure struct {
	FigureName
	Connector int
	Margin    bool // readings are margins, as in a Population

	Earlier int              // readings of the runs before the newest
	Chart   statistics.Chart // of these; zero where Missing says why there is none
	Missing string
	Newest  PopulationReading
	Signal  bool // the newest reading lies beyond three sigma of the chart
}

// ReadingUnit is the unit of the readings: a margin to a level is in decibels.
func (g GoldenFigure) ReadingUnit() string {
	if g.Margin && strings.HasPrefix(g.Unit, "dBm") {
		return "dB"
	}
	return g.Unit
}

// GoldenFigureOf holds the newest reading of one figure at one connector against
// the chart of individuals of those of earlier runs, of which it takes 8. The
// readings are in the order they were taken and at least one.
func GoldenFigureOf(p Population) (GoldenFigure, error) {
	newest := p.Readings[len(p.Readings)-1]
	earlier := p
	earlier.Readings = slices.DeleteFunc(slices.Clone(p.Readings), func(r PopulationReading) bool { return r.Run == newest.Run })
	g := GoldenFigure{FigureName: p.FigureName, Connector: newest.Connector, Margin: p.Margin, Earlier: len(earlier.Readings), Newest: newest}
	chart, err := chartOf(earlier)
	var refused *RefusedError
	if errors.As(err, &refused) {
		g.Missing = "earlier runs: " + refused.Reason
		return g, nil
	}
	if err != nil {
		return g, err
	}
	g.Chart = chart.Chart
	g.Signal = slices.ContainsFunc(g.Chart.Zones([]float64{newest.Value}), func(s statistics.Signal) bool { return s.Rule == farOut })
	return g, nil
}

// GoldenFigures returns every figure of the golden unit on a bench, from its
// finished runs under the limit set of the newest of them: with other limits
// margins move and the bench does not. None without such a run.
func GoldenFigures(ctx context.Context, db DB, bench, serial string) ([]GoldenFigure, error) {
	f := ReadingFilter{Bench: bench, Serial: serial, golden: true}
	err := db.QueryRow(ctx, `
		SELECT g.limit_set, g.simulated FROM run r JOIN campaign g ON g.id = r.campaign_id
		WHERE r.golden AND r.bench = $1 AND r.serial = $2 AND r.state = 'done'
		ORDER BY r.finished_at DESC, r.id DESC LIMIT 1`, bench, serial).Scan(&f.limitSet, &f.Simulated)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("results: golden unit %s: %w", serial, err)
	}
	var figures []GoldenFigure
	err = eachPopulation(ctx, db, f, true, func(p Population) error {
		byConnector := map[int][]PopulationReading{}
		for _, r := range p.Readings {
			byConnector[r.Connector] = append(byConnector[r.Connector], r)
		}
		for _, connector := range slices.Sorted(maps.Keys(byConnector)) {
			p.Readings = byConnector[connector]
			g, err := GoldenFigureOf(p)
			if err != nil {
				return err
			}
			figures = append(figures, g)
		}
		return nil
	})
	return figures, err
}
