package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchyard/jobs/lab"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// GoldenCheck is how the check of a bench by its golden unit stands: a unit that
// is kept unchanged and measured again and again, so that what its readings do
// tells of the bench.
type GoldenCheck struct {
	Bench, Serial string
	Every         time.Duration // zero: no schedule
	Last          *time.Time    // when its newest run was done; nil: none was yet
}

// Due is when the next check is due: the zero time where none was done yet, which
// is at once, and nil without a schedule.
func (c GoldenCheck) Due() *time.Time {
	if c.Every == 0 {
		return nil
	}
	if c.Last == nil {
		return &time.Time{}
	}
	return new(c.Last.Add(c.Every))
}

// Overdue tells whether the check was due before now.
func (c GoldenCheck) Overdue(now time.Time) bool {
	due := c.Due()
	return due != nil && due.Before(now)
}

// GoldenChecks returns the checks of the benches of an inventory that have a
// golden unit, by the name of the bench.
func GoldenChecks(ctx context.Context, db DB, l *lab.Lab) (map[string]GoldenCheck, error) {
	checks := map[string]GoldenCheck{}
	for _, b := range l.Benches {
		if b.GoldenUnit == "" {
			continue
		}
		c := GoldenCheck{Bench: b.Name, Serial: b.GoldenUnit, Every: b.GoldenEvery}
		err := db.QueryRow(ctx, `SELECT max(finished_at) FROM run WHERE golden AND bench = $1 AND serial = $2 AND state = 'done'`,
			c.Bench, c.Serial).Scan(&c.Last)
		if err != nil {
			return nil, fmt.Errorf("jobs: golden unit of bench %s: %w", b.Name, err)
		}
		checks[b.Name] = c
	}
	return checks, nil
}

// checkGolden holds the bench when the run, which has just ended, was a finished
// one of its golden unit and a reading lies where a steady bench has none. What
// a person holds the bench for already stays beside it.
func checkGolden(ctx context.Context, tx pgx.Tx, run uuid.UUID, bench string) ([]change, error) {
	var serial string
	err := tx.QueryRow(ctx, `SELECT serial FROM run WHERE id = $1 AND golden AND state = 'done'`, run).Scan(&serial)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("jobs: run %s: %w", run, err)
	}
	figures, err := results.GoldenFigures(ctx, tx, bench, serial)
	if err != nil {
		return nil, fmt.Errorf("jobs: bench %s: %w", bench, err)
	}
	reason := outOfLine(run, bench, serial, figures)
	if reason == "" {
		return nil, nil
	}
	held, err := alsoHold(ctx, tx, bench, reason, "golden unit "+serial)
	if err != nil {
		return nil, fmt.Errorf("jobs: holding bench %s: %w", bench, err)
	}
	return []change{held}, nil
}

// outOfLine says which reading of the run signals and what to do; empty: none does.
func outOfLine(run uuid.UUID, bench, serial string, figures []results.GoldenFigure) string {
	var first results.GoldenFigure
	n := 0
	for _, g := range figures {
		if !g.Signal || g.Newest.Run != run {
			continue
		}
		if n++; n == 1 {
			first = g
		}
	}
	if n == 0 {
		return ""
	}
	kind, others := "reads", ""
	if first.Margin {
		kind = "has a margin of"
	}
	if n > 1 {
		others = fmt.Sprintf(", and %d more of its figures left their limits", n-1)
	}
	return fmt.Sprintf("golden unit %s: %s %s at %s, connector %d %s %.4g %s, earlier runs keep from %.4g to %.4g%s; "+
		"look at cables, connectors, switch and path corrections (benchyard bench golden %s shows every figure), then release the bench and measure the golden unit again; after a change that is meant to stay, bench golden %s --begin-anew",
		serial, first.Clause, first.Requirement, first.Condition, first.Connector, kind, first.Newest.Value, first.ReadingUnit(), first.Limits.Lower, first.Limits.Upper, others, bench, bench)
}

// BeginGolden begins the comparison of a bench's golden unit anew: after something was
// changed on purpose, the runs before it tell nothing of what is right from now on. They
// stay stored. A bench without golden unit, or a name or reason that is missing, is a
// *BenchError; an unknown bench is ErrNotFound.
func BeginGolden(ctx context.Context, db DB, bench, by, reason string) error {
	by, reason = strings.TrimSpace(by), strings.TrimSpace(reason)
	if by == "" || reason == "" {
		return &BenchError{bench, "who begins anew, and why, is kept with it: give both"}
	}
	l, _, err := lab.Load(ctx, db, 0)
	if err != nil {
		return err
	}
	b, ok := l.Bench(bench)
	if !ok {
		return fmt.Errorf("jobs: bench %s: %w", bench, ErrNotFound)
	}
	if b.GoldenUnit == "" {
		return &BenchError{bench, "it has no golden unit; name one under benches as golden_unit"}
	}
	err = transact(ctx, db, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO golden_baseline (bench, serial, begun_by, reason) VALUES ($1, $2, $3, $4)`, bench, b.GoldenUnit, by, reason); err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: benchEvent, bench: bench, body: eventBody{
			Text: fmt.Sprintf("golden unit %s: compared anew from here: %s", b.GoldenUnit, reason), By: by,
		}})
	})
	if err != nil {
		return fmt.Errorf("jobs: beginning golden unit %s of bench %s anew: %w", b.GoldenUnit, bench, err)
	}
	return nil
}
