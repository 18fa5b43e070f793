package postgres

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/migrations"
)

// Programs of different versions work on one database while a lab is upgraded.
// The level of a program is the newest migration that it knows:
//
//	start   the schema is brought to the level of the program; a newer one is
//	        refused (ErrNewerSchema), for who starts can be upgraded first
//	at work goes on while the floor of the schema is not above its level (MayWork);
//	        the floor rises with a migration that earlier programs cannot live with
//	migrate is refused while programs below the new floor are at work

// ErrBelowFloor tells that a program cannot work beside the schema any more.
var ErrBelowFloor = errors.New("the schema was changed in a way that this program cannot work with; upgrade it")

// ErrLeftBehind tells that programs are at work that could not go on beside the
// new schema.
var ErrLeftBehind = errors.New("stop them and upgrade them too")

// Row asks for one row: a pool, a connection or a transaction.
type Row interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// KnownLevel returns the newest of our migrations that this program has.
func KnownLevel() (int64, error) {
	names, err := fs.Glob(migrations.Files, "*.sql")
	if err != nil || len(names) == 0 {
		return 0, fmt.Errorf("postgres: migrations: none are embedded (%w)", err)
	}
	level, _, _ := strings.Cut(names[len(names)-1], "_") // Glob sorts, the numbers have leading zeros
	number, err := strconv.ParseInt(level, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("postgres: migration %s has no number: %w", names[len(names)-1], err)
	}
	return number, nil
}

// Level returns the newest of our migrations that the database has; zero: it
// has none.
func Level(ctx context.Context, db Row) (level int64, err error) {
	exists, err := has(ctx, db, "goose_db_version")
	if err == nil && exists {
		err = db.QueryRow(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&level)
	}
	if err != nil {
		return 0, fmt.Errorf("postgres: reading the schema version: %w", err)
	}
	return level, nil
}

func has(ctx context.Context, db Row, table string) (exists bool, err error) {
	err = db.QueryRow(ctx, "SELECT to_regclass($1) IS NOT NULL", table).Scan(&exists)
	return exists, err
}

// MayWork tells why a program of the level cannot work on the database now, with
// ErrOlderSchema or ErrBelowFloor; nil: it can, even if the schema is newer.
func MayWork(ctx context.Context, db Row, level int64) error {
	at, err := Level(ctx, db)
	if err != nil {
		return err
	}
	if at < level {
		return fmt.Errorf("postgres: the schema has version %d, this program needs %d: %w", at, level, ErrOlderSchema)
	}
	floor, err := Floor(ctx, db)
	if err == nil && floor > level {
		err = fmt.Errorf("postgres: the schema has version %d by now, beside which version %d and newer can work, this program knows up to %d: %w", at, floor, level, ErrBelowFloor)
	}
	return err
}

// Ready is MayWork for this program.
func Ready(ctx context.Context, db Row) error {
	level, err := KnownLevel()
	if err != nil {
		return err
	}
	return MayWork(ctx, db, level)
}

// Floor returns the lowest level of a program that may go on beside the schema
// of the database.
func Floor(ctx context.Context, db Row) (level int64, err error) {
	exists, err := has(ctx, db, "schema_floor")
	if err == nil && exists {
		err = db.QueryRow(ctx, "SELECT coalesce(max(level), 0) FROM schema_floor").Scan(&level)
	}
	if err != nil {
		return 0, fmt.Errorf("postgres: reading who may work beside the schema: %w", err)
	}
	return level, nil
}

// nobodyLeftBehind refuses a floor that programs at work are below. One that was
// not heard of for a minute is not at work.
func nobodyLeftBehind(ctx context.Context, db Row, floor int64) error {
	exists, err := has(ctx, db, "agent")
	if err != nil || !exists {
		return err
	}
	var below *string
	err = db.QueryRow(ctx, `SELECT string_agg(format('%s (program %s, schema version %s)', name, version, level), ', ' ORDER BY name)
		FROM agent WHERE level < $1 AND refused IS NULL AND seen_at > now() - interval '1 minute'`, floor).Scan(&below)
	if err != nil {
		return fmt.Errorf("postgres: looking for programs at work: %w", err)
	}
	if below != nil {
		return fmt.Errorf("postgres: the schema is not migrated, because programs are at work that could not go on: %s; %w", *below, ErrLeftBehind)
	}
	return nil
}

func raiseFloor(ctx context.Context, conn *pgx.Conn, floor int64) error {
	_, err := conn.Exec(ctx, `INSERT INTO schema_floor (level) VALUES ($1)
		ON CONFLICT (only_row) DO UPDATE SET level = excluded.level WHERE schema_floor.level < excluded.level`, floor)
	if err != nil {
		return fmt.Errorf("postgres: storing who may work beside the schema: %w", err)
	}
	return nil
}

// MigrateTo brings an empty database to an earlier level of our migrations, as
// it was when a backup was made. Migrate brings it further.
func MigrateTo(ctx context.Context, pool *pgxpool.Pool, level int64) error {
	return withSchema(pool, func(s schema) error {
		if _, err := s.own.UpTo(ctx, level); err != nil {
			return fmt.Errorf("postgres: migrating to level %d: %w", level, err)
		}
		return nil
	})
}
