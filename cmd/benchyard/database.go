package main

import (
	"context"
	"errors"
	"fmt"
	"os/user"

	"benchyard/jobs"
	"benchyard/jobs/blob"
	"benchyard/jobs/postgres"
)

// open connects to the database of the command line and brings its schema up
// to date, so that the first command on a fresh machine just works.
func (p *program) open(ctx context.Context) (*postgres.Database, error) {
	return p.openAt(ctx, p.commandLine.DatabaseURL, p.commandLine.DataDir)
}

// openForAgent is open for a program that is to drive benches: where the schema
// forbids that, the board says so too.
func (p *program) openForAgent(ctx context.Context) (*postgres.Database, error) {
	db, err := p.connect(ctx, p.commandLine.DatabaseURL, p.commandLine.DataDir)
	if err != nil {
		return nil, err
	}
	if err = postgres.Migrate(ctx, db.Pool); err == nil {
		return db, nil
	}
	defer db.Close()
	if level, known := postgres.KnownLevel(); known == nil && errors.Is(err, postgres.ErrNewerSchema) {
		err = errors.Join(err, jobs.RefuseAgent(ctx, db.Pool, agentName(), version(), level, err))
	}
	return nil, err
}

// connect opens a database and leaves its schema alone.
func (p *program) connect(ctx context.Context, url, dataDir string) (*postgres.Database, error) {
	return postgres.Open(ctx, postgres.Options{
		URL: url, DataDir: dataDir, BinDir: p.commandLine.PostgresBin, Logger: p.log,
	})
}

func (p *program) openAt(ctx context.Context, url, dataDir string) (*postgres.Database, error) {
	db, err := p.connect(ctx, url, dataDir)
	if err != nil {
		return nil, err
	}
	if err := postgres.Migrate(ctx, db.Pool); err != nil {
		db.Close()
		return nil, err
	}
	return db, nil
}

// blobs is the store of evidence that is too big for rows of the database. It
// is opened at its first use; the caller closes it.
func (p *program) blobs(db *postgres.Database) (*blob.Store, error) {
	return p.blobsBeside(db, p.commandLine.DataDir)
}

func (p *program) blobsBeside(db *postgres.Database, dataDir string) (*blob.Store, error) {
	place := blob.Place{Address: p.commandLine.Blobs, DataDir: dataDir}
	if err := place.Validate(); err != nil {
		return nil, &badInput{err}
	}
	if place.Address == "" && dataDir == "" {
		var err error
		if place.DataDir, err = postgres.DefaultDataDir(); err != nil {
			return nil, err
		}
	}
	return blob.NewStore(db.Pool, place), nil
}

// migrateCommand brings the schema up to date and says so.
type migrateCommand struct{}

// Run migrates.
func (*migrateCommand) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	fmt.Fprintln(p.stdout, "the database has the schema of this program")
	return nil
}

// person is who asks, as the operating system knows them.
func person() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "unknown"
}
