package main

import (
	"context"
	"io"
	"log/slog"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
)

// Pages that have taken every connection of the program keep no agent from its
// leases.
func TestReadersDoNotStarveTheAgent(t *testing.T) {
	db, err := postgres.Open(t.Context(), postgres.Options{URL: postgres.TestURL(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	config := sim.Demo(1)
	config.Benches, config.Units, config.Faults = config.Benches[:1], config.Units[:1], nil
	simulated, err := sim.Start(context.Background(), config, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = simulated.Close() }) // the test is over
	if _, _, err := lab.Apply(t.Context(), db.Pool, "lab.yaml", simulated.Inventory(), "ann"); err != nil {
		t.Fatal(err)
	}
	watch, err := pgxpool.New(t.Context(), db.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(watch.Close)
	for range db.Pool.Config().MaxConns {
		conn, err := db.Pool.Acquire(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(conn.Release)
	}

	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		p := &program{log: slog.New(slog.DiscardHandler)}
		ended <- agentFlags{Lease: 3 * time.Second}.drive(ctx, p, db, nil, nil)
	}()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	await(t, 20*time.Second, "a bench at rest", func() bool {
		var resting bool
		err := watch.QueryRow(t.Context(), `SELECT count(*) > 0 FROM bench WHERE activity = 'idle'`).Scan(&resting)
		return err == nil && resting
	})
}
