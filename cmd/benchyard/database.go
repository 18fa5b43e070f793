package main

import (
	"context"
	"fmt"
	"os/user"

	"benchyard/jobs/postgres"
)

// open connects to the database of the command line and brings its schema up
// to date, so that the first command on a fresh machine just works.
func (p *program) open(ctx context.Context) (*postgres.Database, error) {
	return p.openAt(ctx, p.commandLine.DatabaseURL, p.commandLine.DataDir)
}

func (p *program) openAt(ctx context.Context, url, dataDir string) (*postgres.Database, error) {
	db, err := postgres.Open(ctx, postgres.Options{
		URL: url, DataDir: dataDir, BinDir: p.commandLine.PostgresBin, Logger: p.log,
	})
	if err != nil {
		return nil, err
	}
	if err := postgres.Migrate(ctx, db.Pool); err != nil {
		db.Close()
		return nil, err
	}
	return db, nil
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
