package results

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"benchyard/jobs/statistics"
)

// GoldenFigure is one figure of the golden unit of a bench at one connector. The
// unit is kept unchanged, so what moves is the bench.
type GoldenFigure struct {
	FigureName
	Connector int
	Margin    bool // readings are margins, as in a Population

	Readings []PopulationReading   // in the order they were taken, the newest last
	Earlier  int                   // readings of the runs before the newest
	Limits   statistics.Prediction // from these; zero where Missing says why there are none
	Missing  string
	Newest   PopulationReading
	Signal   bool // the newest reading left the limits
}

// ReadingUnit is the unit of the readings: a margin to a level is in decibels.
func (g GoldenFigure) ReadingUnit() string {
	if g.Margin && strings.HasPrefix(g.Unit, "dBm") {
		return "dB"
	}
	return g.Unit
}

// goldenFigureOf makes a figure of the readings at one connector, at least one, in the
// order they were taken. It has no limits yet.
func goldenFigureOf(p Population) GoldenFigure {
	newest := p.Readings[len(p.Readings)-1]
	g := GoldenFigure{FigureName: p.FigureName, Connector: newest.Connector, Margin: p.Margin, Readings: p.Readings, Newest: newest}
	g.Earlier = len(g.earlier())
	if g.Earlier < leastForChart {
		g.Missing = fmt.Sprintf("earlier runs: %d readings, it takes at least %d", g.Earlier, leastForChart)
	}
	return g
}

// earlier returns the readings of the runs before the newest.
func (g GoldenFigure) earlier() []float64 {
	var xs []float64
	for _, r := range g.Readings {
		if r.Run != g.Newest.Run {
			xs = append(xs, r.Value)
		}
	}
	return xs
}

// limitGolden gives every figure of one unit its limits. They are as wide as it takes
// for a run of a steady bench to signal at any of them as seldom as at a single figure
// with limits at three sigma: see statistics.Predict.
func limitGolden(figures []GoldenFigure) error {
	limited := 0
	for i := range figures {
		g := &figures[i]
		if g.Missing != "" {
			continue
		}
		if _, err := statistics.Predict(g.earlier(), 1); errors.Is(err, statistics.ErrNoSpread) {
			g.Missing = fmt.Sprintf("earlier runs: all %d readings are equal", g.Earlier)
			continue
		}
		limited++
	}
	for i := range figures {
		g := &figures[i]
		if g.Missing != "" {
			continue
		}
		var err error
		if g.Limits, err = statistics.Predict(g.earlier(), limited); err != nil {
			return fmt.Errorf("results: golden unit, %s: %w", g.Requirement, err)
		}
		g.Signal = g.Limits.Left(g.Newest.Value)
	}
	return nil
}

// GoldenBaseline says from when on the runs of a golden unit are compared with each
// other, and who wanted it so and why.
type GoldenBaseline struct {
	Begun  time.Time
	By     string
	Reason string
}

// GoldenBaselines returns every beginning anew of a golden unit on a bench, newest
// first; none where its first run is the beginning.
func GoldenBaselines(ctx context.Context, db DB, bench, serial string) ([]GoldenBaseline, error) {
	rows, err := db.Query(ctx, `SELECT begun_at, begun_by, reason FROM golden_baseline WHERE bench = $1 AND serial = $2 ORDER BY begun_at DESC, id DESC`, bench, serial)
	if err != nil {
		return nil, fmt.Errorf("results: golden unit %s: %w", serial, err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[GoldenBaseline])
	if err != nil {
		return nil, fmt.Errorf("results: golden unit %s: %w", serial, err)
	}
	return found, nil
}

// GoldenFigures returns every figure of the golden unit on a bench, from its
// finished runs since they were begun anew, under the limit set of the newest of
// them: with other limits margins move and the bench does not. None without such a run.
func GoldenFigures(ctx context.Context, db DB, bench, serial string) ([]GoldenFigure, error) {
	f := ReadingFilter{Bench: bench, Serial: serial, golden: true}
	begun, err := GoldenBaselines(ctx, db, bench, serial)
	if err != nil {
		return nil, err
	}
	if len(begun) > 0 {
		f.since = begun[0].Begun
	}
	err = db.QueryRow(ctx, `
		SELECT g.limit_set, g.simulated FROM run r JOIN campaign g ON g.id = r.campaign_id
		WHERE r.golden AND r.bench = $1 AND r.serial = $2 AND r.state = 'done' AND coalesce(r.started_at, r.finished_at) >= $3
		ORDER BY r.finished_at DESC, r.id DESC LIMIT 1`, bench, serial, f.since).Scan(&f.limitSet, &f.Simulated)
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
			figures = append(figures, goldenFigureOf(p))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return figures, limitGolden(figures)
}
