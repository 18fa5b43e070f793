package lab_test

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
)

func TestApplyStoresVersions(t *testing.T) {
	ctx, pool := t.Context(), postgres.Test(t)
	if _, _, err := lab.Load(ctx, pool, 0); !errors.Is(err, lab.ErrNoLab) {
		t.Fatalf("an empty database has %v", err)
	}
	l, first := twoBenches(t)
	second := []byte(strings.Replace(string(first), "revision: D", "revision: E", 1) + "\n# build list grows\n")
	second = []byte(strings.Replace(string(second), `"2.5.0"]`, `"2.5.0", "2.6.0"]`, 1))

	one := apply(t, pool, first, true)
	apply(t, pool, first, false)
	two := apply(t, pool, second, true)
	if one == two {
		t.Fatalf("two documents have the version %d", one)
	}
	got, id, err := lab.Load(ctx, pool, 0)
	if err != nil || id != two {
		t.Fatalf("in force is %d, %v; want %d", id, err, two)
	}
	if unit, _ := got.Unit("T2-0003"); unit.Revision != "E" {
		t.Errorf("the version in force has %+v", unit)
	}
	if old, id, err := lab.Load(ctx, pool, one); err != nil || id != one || !reflect.DeepEqual(old, l) {
		t.Errorf("version %d came back as %d, %v", one, id, err)
	}
	if _, _, err := lab.Load(ctx, pool, two+100); !errors.Is(err, lab.ErrNoLab) {
		t.Errorf("a version that is not there: %v", err)
	}

	// An older document applied again is in force again, under its own version.
	if again := apply(t, pool, first, true); again != one {
		t.Errorf("applied again as %d, want %d", again, one)
	}
	if _, id, err := lab.Load(ctx, pool, 0); err != nil || id != one {
		t.Errorf("in force is %d, %v; want %d", id, err, one)
	}

	if got := column(t, pool, "SELECT name FROM bench ORDER BY 1"); got != "bench-1 bench-2" {
		t.Errorf("benches %s", got)
	}
	if got := column(t, pool, "SELECT serial || '/' || type || '/' || revision FROM radio_unit ORDER BY 1"); got != "T2-0001/RU-T2/C T2-0002/RU-T2/C T2-0003/RU-T2/D" {
		t.Errorf("radio units %s", got)
	}
	if got := column(t, pool, "SELECT name FROM build ORDER BY 1"); got != "2.4.0 2.5.0 2.6.0" {
		t.Errorf("builds %s", got)
	}
	if got := column(t, pool, "SELECT (body->>'by') FROM event WHERE kind = 'lab' AND (body->>'simulated')::bool ORDER BY id"); got != "ada ada ada" {
		t.Errorf("events %s", got)
	}
}

func TestApplyStoresNothingOfABadInventory(t *testing.T) {
	ctx, pool := t.Context(), postgres.Test(t)
	if _, _, err := lab.Apply(ctx, pool, "bad.yaml", []byte("lab: x\n"), "ada"); err == nil {
		t.Error("a bad inventory was applied")
	}
	_, complete := twoBenches(t)
	// The last statement of the transaction fails: nothing before it may stay.
	if _, err := pool.Exec(ctx, "ALTER TABLE event ADD CHECK (kind <> 'lab')"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := lab.Apply(ctx, pool, "good.yaml", complete, "ada"); err == nil {
		t.Error("applied although the event could not be stored")
	}
	if got := column(t, pool, "SELECT (SELECT count(*) FROM lab_version) + (SELECT count(*) FROM bench) + (SELECT count(*) FROM radio_unit) || ''"); got != "0" {
		t.Errorf("%s rows stayed", got)
	}
}

// Two programs that apply at the same time get one version each, in some order,
// and none is lost.
func TestApplyAtTheSameTime(t *testing.T) {
	pool := postgres.Test(t)
	_, complete := twoBenches(t)
	results := make(chan bool, 4)
	for range cap(results) {
		go func() {
			_, changed, err := lab.Apply(context.WithoutCancel(t.Context()), pool, "same.yaml", complete, "ada")
			results <- changed && err == nil
		}()
	}
	changes := 0
	for range cap(results) {
		if <-results {
			changes++
		}
	}
	if changes != 1 {
		t.Errorf("%d of four took themselves for the first", changes)
	}
}

func apply(t *testing.T, pool *pgxpool.Pool, data []byte, wantChanged bool) int64 {
	t.Helper()
	id, changed, err := lab.Apply(t.Context(), pool, "lab.yaml", data, "ada")
	if err != nil {
		t.Fatal(err)
	}
	if changed != wantChanged {
		t.Errorf("version %d changed: %t, want %t", id, changed, wantChanged)
	}
	return id
}

// column returns the texts of the first column, joined by spaces.
func column(t *testing.T, pool *pgxpool.Pool, query string) string {
	t.Helper()
	var text string
	if err := pool.QueryRow(t.Context(), "SELECT coalesce(string_agg(x, ' '), '') FROM ("+query+") AS q(x)").Scan(&text); err != nil {
		t.Fatal(err)
	}
	return text
}
