package postgres

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/migrations"
)

// TestDatabaseVariable names the environment variable with the URL of a server
// for tests (a role that may create databases). Without it the tests share a
// private server of their own.
const TestDatabaseVariable = "BENCHYARD_TEST_DATABASE_URL"

// Test returns a pool on a fresh, migrated database that belongs to this test
// alone. Pool and database are gone when the test ends, and no goroutine stays.
// The test fails when no PostgreSQL can be had: it is never skipped.
func Test(tb testing.TB) *pgxpool.Pool {
	tb.Helper()
	address := TestURL(tb)
	pool, err := OpenPool(context.Background(), address, tb.Name(), 0)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(pool.Close)
	return pool
}

// TestURL is Test for code that opens its own pools: it returns the URL of the
// fresh database, which is dropped with force when the test ends.
func TestURL(tb testing.TB) string {
	tb.Helper()
	return freshDatabase(tb, copyTemplate)
}

// TestEmpty is Test with a database that was never migrated.
func TestEmpty(tb testing.TB) *pgxpool.Pool {
	tb.Helper()
	address := freshDatabase(tb, func(ctx context.Context, conn *pgx.Conn, _, name string) error {
		_, err := conn.Exec(ctx, "CREATE DATABASE "+name+" TEMPLATE template0")
		return err
	})
	pool, err := OpenPool(context.Background(), address, tb.Name(), 0)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(pool.Close)
	return pool
}

// freshDatabase has create make a database for this test and drops it at the end.
func freshDatabase(tb testing.TB, create func(ctx context.Context, conn *pgx.Conn, admin, name string) error) string {
	tb.Helper()
	ctx := context.Background()
	admin, release, err := testServer(ctx)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := release(); err != nil {
			tb.Error(err)
		}
	})
	name := testName(strings.ToLower(rand.Text()[:10]))
	if err := asAdmin(ctx, admin, func(conn *pgx.Conn) error { return create(ctx, conn, admin, name) }); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		err := asAdmin(ctx, admin, func(conn *pgx.Conn) error {
			_, err := conn.Exec(ctx, "DROP DATABASE "+name+" WITH (FORCE)")
			return err
		})
		if err != nil {
			tb.Errorf("postgres: dropping the database of the test: %v", err)
		}
	})
	address, err := onDatabase(admin, name)
	if err != nil {
		tb.Fatal(err)
	}
	return address
}

func testServer(ctx context.Context) (address string, release func() error, err error) {
	if address := os.Getenv(TestDatabaseVariable); address != "" {
		return address, func() error { return nil }, nil
	}
	return joinTestServer(ctx)
}

func asAdmin(ctx context.Context, address string, do func(*pgx.Conn) error) (err error) {
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return fmt.Errorf("postgres: test server: %w", err)
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	return do(conn)
}

// copyTemplate creates the database name as a copy of the migrated template,
// which the first test that needs it makes.
func copyTemplate(ctx context.Context, conn *pgx.Conn, admin, name string) error {
	template, err := templateName()
	if err != nil {
		return err
	}
	exists := false
	const find = "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)"
	if err := conn.QueryRow(ctx, find, template).Scan(&exists); err != nil {
		return fmt.Errorf("postgres: looking for the template: %w", err)
	}
	if !exists {
		if err := makeTemplate(ctx, conn, admin, template); err != nil {
			return err
		}
	}
	if _, err := conn.Exec(ctx, "CREATE DATABASE "+name+" TEMPLATE "+template); err != nil {
		return fmt.Errorf("postgres: creating the database of the test: %w", err)
	}
	return nil
}

// makeTemplate migrates a database under another name and renames it when it is
// whole, for a template must not be seen half-made or have connections.
func makeTemplate(ctx context.Context, conn *pgx.Conn, admin, template string) error {
	if _, err := conn.Exec(ctx, "SELECT pg_advisory_lock($1)", int64(migrationLock)); err != nil {
		return fmt.Errorf("postgres: lock of the template: %w", err)
	}
	exists := false
	const find = "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)"
	if err := conn.QueryRow(ctx, find, template).Scan(&exists); err != nil || exists {
		return err
	}
	unfinished := template + "_unfinished"
	for _, statement := range []string{
		"DROP DATABASE IF EXISTS " + unfinished + " WITH (FORCE)",
		"CREATE DATABASE " + unfinished + " TEMPLATE template0",
	} {
		if _, err := conn.Exec(ctx, statement); err != nil {
			return fmt.Errorf("postgres: creating the template: %w", err)
		}
	}
	address, err := onDatabase(admin, unfinished)
	if err != nil {
		return err
	}
	pool, err := OpenPool(ctx, address, "template", 2)
	if err != nil {
		return err
	}
	err = Migrate(ctx, pool)
	pool.Close()
	if err != nil {
		return err
	}
	if _, err := conn.Exec(ctx, "ALTER DATABASE "+unfinished+" RENAME TO "+template); err != nil {
		return fmt.Errorf("postgres: naming the template: %w", err)
	}
	_, err = conn.Exec(ctx, "SELECT pg_advisory_unlock($1)", int64(migrationLock))
	return err
}

// templateName is different for every schema, so that an edited migration gets
// a new template.
func templateName() (string, error) {
	hash := sha256.New()
	err := fs.WalkDir(migrations.Files, ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		text, err := migrations.Files.ReadFile(path)
		fmt.Fprintf(hash, "%s\n%d\n%s", path, len(text), text)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("postgres: reading the migrations: %w", err)
	}
	queue, err := queueMigrator(nil)
	if err != nil {
		return "", err
	}
	for _, version := range queue.AllVersions() {
		fmt.Fprintf(hash, "%d\n%s", version.Version, version.SQLUp)
	}
	return fmt.Sprintf("template_%x", hash.Sum(nil)[:8]), nil
}

// onDatabase is address with another database. Only the URL form is understood.
func onDatabase(address, name string) (string, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme == "" {
		return "", fmt.Errorf("postgres: the address of the test server is not a postgres:// URL")
	}
	u.Path = "/" + name
	return u.String(), nil
}
