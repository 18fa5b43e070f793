package postgres

import (
	"context"
	"errors"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"
)

func TestMigrateTogetherAndAgain(t *testing.T) {
	pool := TestEmpty(t)
	if err := Validate(t.Context(), pool); !errors.Is(err, ErrOlderSchema) {
		t.Errorf("an empty database: %v, want ErrOlderSchema", err)
	}
	var together sync.WaitGroup
	for range 4 {
		together.Go(func() {
			if err := Migrate(t.Context(), pool); err != nil {
				t.Error(err)
			}
		})
	}
	together.Wait()
	if err := Validate(t.Context(), pool); err != nil {
		t.Error("after Migrate:", err)
	}
	exec1(t, pool, "INSERT INTO build (name) VALUES ('2.4.0')")
	if err := Migrate(t.Context(), pool); err != nil {
		t.Error("once more:", err)
	}
	var builds, tickets int
	if err := pool.QueryRow(t.Context(), `SELECT (SELECT count(*) FROM build), (SELECT count(*) FROM jobq.river_job)`).Scan(&builds, &tickets); err != nil || builds != 1 || tickets != 0 {
		t.Errorf("%d builds, %d tickets (%v); want 1 and 0", builds, tickets, err)
	}
	eventually(t, "the lock is free", func() bool { // once the server has seen the connection close
		var locks int
		err := pool.QueryRow(t.Context(), `SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'
			AND database = (SELECT oid FROM pg_database WHERE datname = current_database())`).Scan(&locks)
		return err == nil && locks == 0
	})
}

func TestNewerSchemaIsRefused(t *testing.T) {
	for line, statement := range map[string]string{
		"results store": "INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, true)",
		"queue":         "INSERT INTO jobq.river_migration (line, version) VALUES ('main', 99999)",
	} {
		t.Run(line, func(t *testing.T) {
			pool := Test(t)
			exec1(t, pool, statement)
			for name, do := range map[string]func(context.Context, *pgxpool.Pool) error{"Migrate": Migrate, "Validate": Validate} {
				err := do(t.Context(), pool)
				if !errors.Is(err, ErrNewerSchema) {
					t.Errorf("%s: %v, want ErrNewerSchema", name, err)
				}
				wantError(t, err, line, "99999", "upgrade the program")
			}
		})
	}
}

func TestMigrateEndsWithItsContext(t *testing.T) {
	pool := TestEmpty(t)
	// The pool's only connection holds the lock, so Migrate has to wait for it.
	if _, err := pool.Exec(t.Context(), "SELECT pg_advisory_lock($1)", int64(migrationLock)); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	failed := make(chan error)
	go func() { failed <- Migrate(ctx, pool) }()
	eventually(t, "Migrate waits for the lock", func() bool {
		var waiting bool
		err := pool.QueryRow(t.Context(), `SELECT EXISTS (SELECT FROM pg_locks WHERE locktype = 'advisory' AND NOT granted
			AND database = (SELECT oid FROM pg_database WHERE datname = current_database()))`).Scan(&waiting)
		return err == nil && waiting
	})
	cancel()
	if err := <-failed; !errors.Is(err, context.Canceled) {
		t.Errorf("Migrate: %v, want context.Canceled", err)
	}
}
