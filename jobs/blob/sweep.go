package blob

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// Swept is what a sweep took away.
type Swept struct {
	Orphans int   // objects that no row named any more
	Strays  int   // what was in the bucket without being in the catalogue
	Bytes   int64 // of both, compressed
	Busy    bool  // nothing was done: somebody reads all objects, or sweeps
}

// sweepBatch is how many objects go in one transaction.
const sweepBatch = 100

// Sweep deletes the objects that no row has named for the grace, and what an
// interrupted write left behind. One process does it at a time, and nobody
// while objects are being copied.
func (s *Store) Sweep(ctx context.Context, grace time.Duration) (swept Swept, err error) {
	if _, _, err := s.known(ctx, s.pool); errors.Is(err, pgx.ErrNoRows) {
		return swept, nil
	}
	b, err := s.open(ctx, false)
	if err != nil {
		return swept, err
	}
	release, ours, err := s.quiet(ctx, `SELECT pg_try_advisory_lock($1)`, `SELECT pg_advisory_unlock($1)`)
	if err != nil || !ours {
		return Swept{Busy: err == nil}, err
	}
	defer release()
	for more := true; more && err == nil; {
		more, err = s.sweepOrphans(ctx, b, grace, &swept)
	}
	if err == nil {
		err = s.sweepStrays(ctx, b, time.Now().Add(-grace), &swept)
	}
	if err != nil {
		return swept, fmt.Errorf("blob: sweeping %s: %w", b.name, err)
	}
	return swept, nil
}

// Quiet keeps all objects in their place until release. It waits for a sweep.
func (s *Store) Quiet(ctx context.Context) (release func(), err error) {
	release, _, err = s.quiet(ctx, `SELECT pg_advisory_lock_shared($1) IS NOT NULL`, `SELECT pg_advisory_unlock_shared($1)`)
	return release, err
}

func (s *Store) quiet(ctx context.Context, lock, unlock string) (release func(), ours bool, err error) {
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return nil, false, fmt.Errorf("blob: lock of the store: %w", err)
	}
	if err := conn.QueryRow(ctx, lock, int64(QuietLock)).Scan(&ours); err != nil || !ours {
		conn.Release()
		return nil, false, err
	}
	return func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		if _, err := conn.Exec(ctx, unlock, int64(QuietLock)); err != nil {
			_ = conn.Conn().Close(ctx) // the lock goes with the connection; the pool drops it
		}
		conn.Release()
	}, true, nil
}

// unnamed is the condition that no row names a blob, whatever tables refer to
// blobs.
func unnamed(ctx context.Context, tx pgx.Tx) (string, error) {
	rows, err := tx.Query(ctx, `
		SELECT format('NOT EXISTS (SELECT 1 FROM %s r WHERE r.%I = blob.key)', c.conrelid::regclass, a.attname)
		FROM pg_constraint c JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = c.conkey[1]
		WHERE c.contype = 'f' AND c.confrelid = 'blob'::regclass`)
	if err != nil {
		return "", err
	}
	conditions, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err == nil && len(conditions) == 0 {
		err = errors.New("no table refers to objects; the schema is not whole")
	}
	return strings.Join(conditions, " AND "), err
}

// sweepOrphans deletes a batch: rows first, which fails as a whole if one of
// them is named after all, then the objects, then it commits. More is false when
// there are no others.
func (s *Store) sweepOrphans(ctx context.Context, b *Bucket, grace time.Duration, swept *Swept) (more bool, err error) {
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		condition, err := unnamed(ctx, tx)
		if err != nil {
			return err
		}
		rows, err := tx.Query(ctx, `
			DELETE FROM blob WHERE key IN (
				SELECT key FROM blob WHERE used_at < now() - $1 * interval '1 second' AND `+condition+`
				ORDER BY used_at LIMIT $2 FOR UPDATE SKIP LOCKED)
			RETURNING key, stored`, grace.Seconds(), sweepBatch)
		if err != nil {
			return err
		}
		var key Key
		var size, bytes int64
		var gone []Key
		_, err = pgx.ForEachRow(rows, []any{&key, &size}, func() error {
			gone, bytes = append(gone, key), bytes+size
			return nil
		})
		for _, key := range gone {
			if err == nil {
				err = b.remove(ctx, key.path())
			}
		}
		if err == nil {
			swept.Orphans, swept.Bytes, more = swept.Orphans+len(gone), swept.Bytes+bytes, len(gone) == sweepBatch
		}
		return err
	})
	return more, err
}

// sweepStrays deletes what is older than before and not in the catalogue:
// whoever writes an object enters it first, so nobody waits for these.
func (s *Store) sweepStrays(ctx context.Context, b *Bucket, before time.Time, swept *Swept) error {
	list := b.bucket.List(nil)
	for {
		found, err := list.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if found.IsDir || found.Key == markPath || found.ModTime.After(before) {
			continue
		}
		if key := keyOfPath(found.Key); key != "" {
			var entered bool
			if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM blob WHERE key = $1)`, key).Scan(&entered); err != nil {
				return err
			}
			if entered {
				continue
			}
		}
		if err := b.remove(ctx, found.Key); err != nil {
			return err
		}
		swept.Strays, swept.Bytes = swept.Strays+1, swept.Bytes+found.Size
	}
}

// Entry is an object in the catalogue.
type Entry struct {
	Key    Key
	Stored int64 // bytes, compressed
}

// Named returns the objects that rows name, as the transaction sees them.
func Named(ctx context.Context, tx pgx.Tx) ([]Entry, error) {
	condition, err := unnamed(ctx, tx)
	if err != nil {
		return nil, fmt.Errorf("blob: reading the catalogue: %w", err)
	}
	rows, err := tx.Query(ctx, `SELECT key, stored FROM blob WHERE NOT (`+condition+`) ORDER BY key`)
	if err != nil {
		return nil, fmt.Errorf("blob: reading the catalogue: %w", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Entry])
	if err != nil {
		return nil, fmt.Errorf("blob: reading the catalogue: %w", err)
	}
	return list, nil
}

// Check reads every object of the catalogue, calls each with how far it is, and
// returns those that are damaged. Objects that no row names are left out.
func (s *Store) Check(ctx context.Context, each func(done, all int)) (damaged []*DamagedError, err error) {
	if _, _, err := s.known(ctx, s.pool); errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	release, err := s.Quiet(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	var named []Entry
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		named, err = Named(ctx, tx)
		return err
	})
	if err != nil {
		return nil, err
	}
	for i, e := range named {
		var bad *DamagedError
		if _, err := s.Get(ctx, e.Key); errors.As(err, &bad) {
			damaged = append(damaged, bad)
		} else if err != nil {
			return damaged, err
		}
		each(i+1, len(named))
	}
	return damaged, nil
}
