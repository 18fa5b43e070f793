package jobs

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
)

// displace notes whether the end of the path may be somewhere else than on its
// connector. Whoever takes the bench over must know. Once a person has put it back,
// what earlier tasks have left displaced at the same place is back too.
func (t *tenure) displace(ctx context.Context, j *pathJob, moved bool) error {
	err := t.lease.fenced(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `UPDATE path_task SET displaced = $2 WHERE id = $1 AND state = 'active'`, j.id, moved)
		if err == nil && tag.RowsAffected() == 0 {
			err = errWithdrawn
		}
		if err != nil || moved {
			return err
		}
		_, err = tx.Exec(ctx, `UPDATE path_task SET displaced = false WHERE bench = $1 AND slot = $2 AND connector = $3 AND displaced`,
			t.bench, j.request.Slot, j.request.Connector)
		return err
	})
	if err != nil {
		return fmt.Errorf("jobs: path task %s: %w", j.id, err)
	}
	return nil
}

// displaced returns the places of a bench whose path may be off its connector and may
// be joined to the generator. A task in work knows what it does; all counts it in too.
func displaced(ctx context.Context, db DB, bench string, all bool) ([]PathPlace, error) {
	rows, err := db.Query(ctx, `SELECT DISTINCT bench, slot, connector FROM path_task
		WHERE bench = $1 AND displaced AND ($2 OR state <> 'active') ORDER BY slot, connector`, bench, all)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading the path tasks of %s: %w", bench, err)
	}
	places, err := pgx.CollectRows(rows, pgx.RowToStructByPos[PathPlace])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading the path tasks of %s: %w", bench, err)
	}
	return places, nil
}

// awayReason says why a place that is displaced keeps its bench from runs, and what to do.
func awayReason(p PathPlace) string {
	return fmt.Sprintf("the path of slot %d connector %d may still be joined to the generator: put it back onto its connector, then release the bench", p.Slot, p.Connector)
}

// away returns why no run may begin on a bench, whether or not it is held; empty:
// every path is on its connector, as far as anybody knows.
func away(ctx context.Context, db DB, bench string) (string, error) {
	places, err := displaced(ctx, db, bench, true)
	reasons := make([]string, len(places))
	for i, p := range places {
		reasons[i] = awayReason(p)
	}
	return strings.Join(reasons, "; "), err
}

// holdDisplaced holds the bench for every path whose end a person has moved and not
// put back: the connector that it belongs to is open. It stays displaced until a
// person says that it is back: see ReleaseBench.
func holdDisplaced(ctx context.Context, tx pgx.Tx, bench string) ([]change, error) {
	places, err := displaced(ctx, tx, bench, true)
	if err != nil {
		return nil, err
	}
	var changes []change
	for _, p := range places {
		var told bool
		err := tx.QueryRow(ctx, `SELECT coalesce(position($2 IN hold_reason) > 0, false) FROM bench WHERE name = $1`, bench, awayReason(p)).Scan(&told)
		if err != nil {
			return nil, fmt.Errorf("jobs: reading why %s is held: %w", bench, err)
		}
		if told {
			continue
		}
		held, err := alsoHold(ctx, tx, bench, awayReason(p), "path task")
		if err != nil {
			return nil, err
		}
		changes = append(changes, held)
	}
	return changes, nil
}

// putBack writes that every path of a bench is back on its connector, if a person says
// so, and returns for the record which they are. Without that it is a *BenchError when
// there are any.
func putBack(ctx context.Context, tx pgx.Tx, bench string, said bool) (string, error) {
	places, err := displaced(ctx, tx, bench, false)
	if err != nil || len(places) == 0 {
		return "", err
	}
	names := make([]string, len(places))
	for i, p := range places {
		names[i] = fmt.Sprintf("slot %d connector %d", p.Slot, p.Connector)
	}
	which := strings.Join(names, ", ")
	if !said {
		return "", &BenchError{bench, fmt.Sprintf("the path of %s may still be joined to the generator, into which the next run would transmit: put it back onto its connector, look at it, and release the bench with the word that it is back (--path-back, path_back, or the box on the page of the bench)", which)}
	}
	if _, err := tx.Exec(ctx, `UPDATE path_task SET displaced = false WHERE bench = $1 AND displaced AND state <> 'active'`, bench); err != nil {
		return "", fmt.Errorf("jobs: writing that the paths of %s are back: %w", bench, err)
	}
	return which, nil
}
