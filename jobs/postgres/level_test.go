package postgres

import (
	"errors"
	"testing"

	"benchyard/migrations"
)

func TestWhoMayWorkBesideTheSchema(t *testing.T) {
	pool := Test(t)
	known, err := KnownLevel()
	if err != nil {
		t.Fatal(err)
	}
	if at, err := Level(t.Context(), pool); err != nil || at != known {
		t.Errorf("a migrated database has level %d (%v), the program knows %d", at, err, known)
	}
	if floor, err := Floor(t.Context(), pool); err != nil || floor != migrations.Floor || floor > known {
		t.Errorf("floor %d (%v), want %d, not above %d", floor, err, migrations.Floor, known)
	}
	for level, want := range map[int64]error{
		known: nil, known + 1: ErrOlderSchema, migrations.Floor: nil, migrations.Floor - 1: ErrBelowFloor, 1: ErrBelowFloor,
	} {
		if err := MayWork(t.Context(), pool, level); !errors.Is(err, want) || (want == nil) != (err == nil) {
			t.Errorf("a program of level %d: %v, want %v", level, err, want)
		}
	}
	// A newer schema with the same floor: who is at work goes on, nobody starts.
	exec1(t, pool, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, true)`)
	if err := Ready(t.Context(), pool); err != nil {
		t.Errorf("at work beside a newer schema: %v", err)
	}
	if err := Migrate(t.Context(), pool); !errors.Is(err, ErrNewerSchema) {
		t.Errorf("starting on a newer schema: %v", err)
	}
	exec1(t, pool, `UPDATE schema_floor SET level = 99999`)
	if err := Ready(t.Context(), pool); !errors.Is(err, ErrBelowFloor) {
		t.Errorf("below the floor: %v", err)
	}
	if empty := TestEmpty(t); !errors.Is(Ready(t.Context(), empty), ErrOlderSchema) {
		t.Error("an empty database is ready")
	}
}

func TestMigrationWaitsForAgentsThatItWouldLeaveBehind(t *testing.T) {
	pool := Test(t)
	exec1(t, pool, `INSERT INTO agent (name, version, level) VALUES ('lab-pc-3', 'abc', 3)`)
	if err := Migrate(t.Context(), pool); err != nil {
		t.Errorf("nothing to migrate: %v", err)
	}
	known, err := KnownLevel()
	if err != nil {
		t.Fatal(err)
	}
	exec1(t, pool, `DELETE FROM jobq.river_migration WHERE version = (SELECT max(version) FROM jobq.river_migration)`)
	err = Migrate(t.Context(), pool)
	if !errors.Is(err, ErrLeftBehind) {
		t.Fatalf("%v, want ErrLeftBehind", err)
	}
	wantError(t, err, "lab-pc-3", "abc", "schema version 3", "stop them")
	for _, harmless := range []string{`UPDATE agent SET refused = 'too old'`, `UPDATE agent SET refused = NULL, seen_at = now() - interval '2 minutes'`} {
		exec1(t, pool, harmless)
		conn, err := pool.Acquire(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := nobodyLeftBehind(t.Context(), conn, known); err != nil {
			t.Errorf("%s: %v", harmless, err)
		}
		conn.Release()
	}
}
