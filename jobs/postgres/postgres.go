// Package postgres reaches the database: it opens pools, migrates the schema,
// gives every test a database of its own and, where nobody names a database,
// runs a private PostgreSQL server.
//
// The private server on one screen:
//
//	program A                     program B
//	keeper: has the lock          keeper: tries the lock every 100 ms
//	  └─ postgres (child)
//	pools ──── socket ────────────── pools
//
// Every program that opens the data directory has a keeper, and an exclusive
// flock decides which of them runs the server as its child. The server
// inherits the lock, so the lock is free only when no process of the server is
// left. When the starter ends, in whatever way, its server shuts down with it
// (SIGINT, also when the starter is killed), the lock becomes free and the
// keeper of another program starts the server again: about a quarter of a
// second in which statements fail, as they do when any database restarts.
//
// A data directory is never deleted or converted. The server listens on a
// socket in a closed directory only and asks for a generated password.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// startLimit bounds how long Open waits for a private server: the recovery
// after a power cut takes its time.
const startLimit = 2 * time.Minute

// Options says which database to open. The zero value means a private server
// in DefaultDataDir.
type Options struct {
	URL     string       // of a database elsewhere; empty: a private server
	DataDir string       // of the private server; empty: DefaultDataDir
	BinDir  string       // PostgreSQL programs; empty: look for them
	Account string       // who the server runs as when this program is root; empty: owner of the data, postgres, nobody
	Name    string       // how the server lists this program's connections; empty: "benchyard"
	Logger  *slog.Logger // nil: slog.Default
}

// Database is an open database: where it is, the pool of the application and
// the separate pool of the queue.
type Database struct {
	URL   string        // with the password, for programs that this one starts
	Pool  *pgxpool.Pool // everything but the queue
	Queue *pgxpool.Pool // the queue, and nothing but the queue

	keeper *keeper // nil when the database is elsewhere
}

// DefaultDataDir is where a private server keeps its data when nobody says
// otherwise: /var/lib/benchyard for root, else $XDG_DATA_HOME/benchyard, else
// ~/.local/share/benchyard.
func DefaultDataDir() (string, error) {
	if os.Geteuid() == 0 {
		return "/var/lib/benchyard", nil
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "benchyard"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("postgres: no data directory: %w; set HOME or name a directory with --data-dir", err)
	}
	return filepath.Join(home, ".local", "share", "benchyard"), nil
}

// Open connects to the database that o names, starting or joining the private
// server when it names none. It returns once the database takes statements and
// does not migrate. ctx bounds the start only; Close ends what was started.
func Open(ctx context.Context, o Options) (*Database, error) {
	if o.Logger == nil {
		o.Logger = slog.Default()
	}
	if o.Name == "" {
		o.Name = "benchyard"
	}
	if o.URL != "" {
		db := &Database{URL: o.URL}
		if err := db.connect(ctx, o.Name); err != nil {
			return nil, err
		}
		return db, nil
	}
	return openPrivate(ctx, o)
}

func openPrivate(ctx context.Context, o Options) (*Database, error) {
	dir := o.DataDir
	if dir == "" {
		var err error
		if dir, err = DefaultDataDir(); err != nil {
			return nil, err
		}
	}
	c, err := openCluster(ctx, dir, o.Account, systemSearch(o.BinDir))
	if err != nil {
		return nil, err
	}
	db := &Database{keeper: keep(c, o.Logger)}
	err = db.join(ctx, c, o.Name)
	if err != nil {
		db.keeper.close()
		return nil, err
	}
	return db, nil
}

// join waits for the server, whoever starts it, and connects to our database.
func (db *Database) join(ctx context.Context, c cluster, name string) error {
	ctx, cancel := context.WithTimeout(ctx, startLimit)
	defer cancel()
	if err := db.keeper.await(ctx); err != nil {
		return err
	}
	if err := c.ensureDatabase(ctx); err != nil {
		return err
	}
	var err error
	if db.URL, err = c.url(databaseName); err != nil {
		return err
	}
	return db.connect(ctx, name)
}

// connect opens both pools and tries the first.
func (db *Database) connect(ctx context.Context, name string) (err error) {
	background := context.WithoutCancel(ctx) // the pools outlive the start
	if db.Pool, err = OpenPool(background, db.URL, name, appConnections); err != nil {
		return err
	}
	if db.Queue, err = OpenPool(background, db.URL, name+" queue", queueConnections); err == nil {
		err = db.Pool.Ping(ctx)
		if err != nil {
			err = fmt.Errorf("postgres: the database does not answer: %w; %s", err, remedy(err))
			db.Queue.Close()
		}
	}
	if err != nil {
		db.Pool.Close()
	}
	return err
}

// remedy says what to do about a connection that failed.
func remedy(err error) string {
	var pgErr *pgconn.PgError
	if !errors.As(err, &pgErr) {
		return "check its URL and that it is up"
	}
	switch pgErr.Code {
	case "28P01", "28000":
		return "check the user and the password in its URL"
	case "3D000":
		return "create the database or correct its name in the URL"
	}
	return "check its URL and what the server logs"
}

// Close waits until all connections are given back and closes the pools. A
// private server that this program runs shuts down, and another program that
// still uses it takes it over.
func (db *Database) Close() {
	db.Pool.Close()
	db.Queue.Close()
	if db.keeper != nil {
		db.keeper.close()
	}
}

// ensureDatabase creates our database in a new server.
func (c cluster) ensureDatabase(ctx context.Context) (err error) {
	address, err := c.url("postgres")
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return fmt.Errorf("postgres: private server: %w", err)
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	var exists bool
	if err := conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", databaseName).Scan(&exists); err != nil {
		return fmt.Errorf("postgres: private server: %w", err)
	}
	if exists {
		return nil
	}
	_, err = conn.Exec(ctx, "CREATE DATABASE "+databaseName)
	var pgErr *pgconn.PgError
	if errors.As(err, &pgErr) && (pgErr.Code == "42P04" || pgErr.Code == "23505") {
		return nil // another program did it meanwhile
	}
	if err != nil {
		return fmt.Errorf("postgres: creating the database %s: %w", databaseName, err)
	}
	return nil
}

// ready tells whether the server takes statements. wait is true for what
// passes while a server is being created or starts.
func (c cluster) ready(ctx context.Context) (wait bool, err error) {
	err = c.ping(ctx)
	var pgErr *pgconn.PgError
	switch {
	case err == nil:
		return false, nil
	case errors.As(err, &pgErr) && pgErr.Code == "28P01":
		return false, fmt.Errorf("postgres: the private server does not take the password in %s; put back the file that was made with the data directory", c.password())
	case errors.Is(err, fs.ErrPermission):
		return false, fmt.Errorf("postgres: the private server belongs to another account: %w", err)
	}
	return true, err
}
