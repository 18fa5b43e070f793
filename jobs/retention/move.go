package retention

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/blob"
)

// bundleSize bounds the levels that lie in one object, in bytes: what has to
// be read to look at one trace.
const bundleSize = 16 << 20

// piece is the levels of a trace and where they go.
type piece struct {
	Case   int64
	Number int
	Levels []byte

	key  blob.Key
	from int64
}

// move brings the traces of one run into objects; more is false when no other
// run is due. The objects are written and read back before a row lets go of its
// levels, and outside of any transaction: a store may be slow.
func (w Worker) move(ctx context.Context, k rule, policy string, a *Amount) (more bool, err error) {
	if w.Blobs == nil {
		return false, nil
	}
	var run uuid.UUID
	err = w.Pool.QueryRow(ctx, `SELECT r.id`+due+notHeld+` ORDER BY r.finished_at LIMIT 1`, k.days, k.what, k.golden).Scan(&run)
	if errors.Is(err, pgx.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	rows, err := w.Pool.Query(ctx, `SELECT t.case_id, t.number, t.levels FROM trace t JOIN measured_case c ON c.id = t.case_id
		WHERE c.run_id = $1 AND t.levels IS NOT NULL ORDER BY c.position, t.case_id, t.number`, run)
	if err != nil {
		return false, err
	}
	pieces, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p piece, err error) {
		return p, row.Scan(&p.Case, &p.Number, &p.Levels)
	})
	if err != nil {
		return false, err
	}
	if err := w.bundle(ctx, pieces); err != nil {
		return false, err
	}
	moved, size, err := w.letGo(ctx, k, run, pieces, policy)
	if err != nil {
		return false, err
	}
	if moved >= 0 {
		a.Runs, a.Pieces, a.Bytes = a.Runs+1, a.Pieces+moved, a.Bytes+size
	}
	return true, nil
}

// bundle writes the pieces into as few objects as their size allows, reads
// those back, and notes where each piece is.
func (w Worker) bundle(ctx context.Context, pieces []piece) error {
	for len(pieces) > 0 {
		var content []byte
		n := 0
		for n < len(pieces) && (n == 0 || len(content)+len(pieces[n].Levels) <= bundleSize) {
			pieces[n].from = int64(len(content))
			content = append(content, pieces[n].Levels...)
			n++
		}
		key, err := w.Blobs.Put(ctx, content)
		if err != nil {
			return err
		}
		back, err := w.Blobs.Get(ctx, key)
		if err != nil {
			return err
		}
		if !bytes.Equal(back, content) {
			return fmt.Errorf("object %s reads back as something else", key)
		}
		for i := range pieces[:n] {
			pieces[i].key = key
		}
		pieces = pieces[n:]
	}
	return nil
}

// letGo makes the rows name the objects instead of holding the levels. A run
// that is held by now keeps its rows: moved is -1.
func (w Worker) letGo(ctx context.Context, k rule, run uuid.UUID, pieces []piece, policy string) (moved, size int64, err error) {
	err = pgx.BeginFunc(ctx, w.Pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, int64(holdLock)); err != nil {
			return err
		}
		err := tx.QueryRow(ctx, `SELECT r.id`+due+notHeld+` AND r.id = $4 FOR UPDATE OF r`, k.days, k.what, k.golden, run).Scan(new(uuid.UUID))
		if errors.Is(err, pgx.ErrNoRows) {
			moved = -1
			return nil
		}
		if err != nil {
			return err
		}
		var changes pgx.Batch
		for _, p := range pieces {
			changes.Queue(`UPDATE trace SET levels = NULL, blob = $3, blob_from = $4, blob_size = $5
				WHERE case_id = $1 AND number = $2 AND levels IS NOT NULL`, p.Case, p.Number, p.key, p.from, len(p.Levels))
			moved, size = moved+1, size+int64(len(p.Levels))
		}
		if err := tx.SendBatch(ctx, &changes).Close(); err != nil {
			return err
		}
		return enter(ctx, tx, run, k.what, policy, moved, size)
	})
	return moved, size, err
}
