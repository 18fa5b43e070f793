package postgres

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"benchyard/migrations"
)

// QueueSchema is the schema that holds the tables of the job queue, apart from
// our own, which lie where the search path of the role points ("public").
const QueueSchema = "jobq"

// migrationLock is the key of the advisory lock that lets one program migrate
// a database at a time; any fixed number does.
const migrationLock = 0x62656e6368 // "bench"

// ErrNewerSchema tells that the database was migrated by a newer program.
var ErrNewerSchema = errors.New("the database has a newer schema than this program knows; upgrade the program")

// ErrOlderSchema tells that the database still needs Migrate.
var ErrOlderSchema = errors.New("the database has an older schema than this program needs; run `benchyard migrate`")

// Migrate brings the database of pool to the schema of this program: first the
// queue's tables in QueueSchema, then our own. It is idempotent, takes a lock
// so that programs that start together do not meet, and refuses a database
// whose schema is newer with ErrNewerSchema, before anything is changed.
func Migrate(ctx context.Context, pool *pgxpool.Pool) (err error) {
	conn, err := pgx.ConnectConfig(ctx, pool.Config().ConnConfig)
	if err != nil {
		return fmt.Errorf("postgres: migrating: %w", err)
	}
	// Closing the connection frees the lock, even when ctx has ended.
	defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
	if _, err := conn.Exec(ctx, "SELECT pg_advisory_lock($1)", int64(migrationLock)); err != nil {
		return fmt.Errorf("postgres: waiting for another program that migrates: %w", err)
	}
	return withSchema(pool, func(s schema) error {
		err := s.compare(ctx, pool)
		if errors.Is(err, ErrOlderSchema) {
			err = nobodyLeftBehind(ctx, conn, migrations.Floor)
		}
		if err != nil { // a newer schema among others
			return err
		}
		if _, err := conn.Exec(ctx, "CREATE SCHEMA IF NOT EXISTS "+QueueSchema); err != nil {
			return fmt.Errorf("postgres: creating schema %s: %w", QueueSchema, err)
		}
		if _, err := s.queue.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
			return fmt.Errorf("postgres: migrating the queue: %w", err)
		}
		if _, err := s.own.Up(ctx); err != nil {
			return fmt.Errorf("postgres: migrating: %w", err)
		}
		return raiseFloor(ctx, conn, migrations.Floor)
	})
}

// Validate checks without changing anything that the database of pool has
// exactly the schema of this program. The error wraps ErrOlderSchema or
// ErrNewerSchema when it has another one.
func Validate(ctx context.Context, pool *pgxpool.Pool) error {
	return withSchema(pool, func(s schema) error { return s.compare(ctx, pool) })
}

// schema knows both lines of migrations that make up the database.
type schema struct {
	queue *rivermigrate.Migrator[pgx.Tx]
	own   *goose.Provider
}

func withSchema(pool *pgxpool.Pool, do func(schema) error) (err error) {
	queue, err := queueMigrator(pool)
	if err != nil {
		return err
	}
	db := stdlib.OpenDB(*pool.Config().ConnConfig)
	defer func() { err = errors.Join(err, db.Close()) }()
	own, err := ownProvider(db)
	if err != nil {
		return err
	}
	return do(schema{queue: queue, own: own})
}

func queueMigrator(pool *pgxpool.Pool) (*rivermigrate.Migrator[pgx.Tx], error) {
	m, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{
		Schema: QueueSchema,
		Logger: slog.New(slog.NewTextHandler(io.Discard, nil)), // what matters comes back as an error
	})
	if err != nil {
		return nil, fmt.Errorf("postgres: migrations of the queue: %w", err)
	}
	return m, nil
}

func ownProvider(db *sql.DB) (*goose.Provider, error) {
	p, err := goose.NewProvider(goose.DialectPostgres, db, migrations.Files)
	if err != nil {
		return nil, fmt.Errorf("postgres: migrations: %w", err)
	}
	return p, nil
}

// compare holds the versions in the database against those of the program. It
// reads the version tables itself, for asking the libraries would create them.
func (s schema) compare(ctx context.Context, pool *pgxpool.Pool) error {
	known := s.queue.AllVersions()
	sources := s.own.ListSources()
	lines := []struct {
		name, table, query string
		want               int64
	}{
		{"queue", QueueSchema + ".river_migration", "SELECT coalesce(max(version), 0) FROM " + QueueSchema + ".river_migration WHERE line = 'main'",
			int64(known[len(known)-1].Version)},
		{"results store", "goose_db_version", "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied",
			sources[len(sources)-1].Version},
	}
	for _, line := range lines {
		var exists bool
		var version int64
		err := pool.QueryRow(ctx, "SELECT to_regclass($1) IS NOT NULL", line.table).Scan(&exists)
		if err == nil && exists {
			err = pool.QueryRow(ctx, line.query).Scan(&version)
		}
		switch {
		case err != nil:
			return fmt.Errorf("postgres: reading the schema version of the %s: %w", line.name, err)
		case version > line.want:
			return fmt.Errorf("postgres: %s has schema version %d, this program knows up to %d: %w", line.name, version, line.want, ErrNewerSchema)
		case version < line.want:
			return fmt.Errorf("postgres: %s has schema version %d, this program needs %d: %w", line.name, version, line.want, ErrOlderSchema)
		}
	}
	return nil
}
