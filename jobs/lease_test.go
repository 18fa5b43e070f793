package jobs

import (
	"context"
	"errors"
	"testing"
	"time"

	"benchyard/jobs/postgres"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// fakeClock is a clock that stands still until it is told to move.
type fakeClock struct{ at time.Time }

func (c *fakeClock) now() time.Time { return c.at }

func leaseTimings() Timings {
	return Timings{TTL: 15 * time.Second}.withDefaults()
}

func benchPool(t *testing.T, benches ...string) *pgxpool.Pool {
	t.Helper()
	pool := postgres.Test(t)
	for _, b := range benches {
		if _, err := pool.Exec(t.Context(), `INSERT INTO bench (name) VALUES ($1)`, b); err != nil {
			t.Fatal(err)
		}
	}
	return pool
}

func mustAcquire(t *testing.T, db DB, holder string, clock *fakeClock) (*lease, bool) {
	t.Helper()
	l, abandoned, err := acquire(t.Context(), db, "bench-1", holder, leaseTimings(), clock.now)
	if err != nil {
		t.Fatal(err)
	}
	return l, abandoned
}

// expire makes the database believe that the lease ran out, as if the holder
// had been silent for its whole life.
func expire(t *testing.T, db DB) {
	t.Helper()
	if _, err := db.Exec(t.Context(), `UPDATE bench_lease SET expires_at = now() - interval '1 millisecond'`); err != nil {
		t.Fatal(err)
	}
}

func TestLeaseHasOneHolderAndAGrowingToken(t *testing.T) {
	pool := benchPool(t, "bench-1")
	clock := &fakeClock{time.Now()}
	first, abandoned := mustAcquire(t, pool, "a", clock)
	if first == nil || abandoned || first.token != 1 {
		t.Fatalf("first holder: %+v, abandoned %v; want token 1 of a free bench", first, abandoned)
	}
	if second, _ := mustAcquire(t, pool, "b", clock); second != nil {
		t.Fatal("a second agent got a lease that is held")
	}
	if err := first.release(t.Context()); err != nil {
		t.Fatal(err)
	}
	second, abandoned := mustAcquire(t, pool, "b", clock)
	if second == nil || abandoned || second.token != 2 {
		t.Fatalf("after a release: %+v, abandoned %v; want token 2 at once, without a wait", second, abandoned)
	}
	expire(t, pool)
	third, abandoned := mustAcquire(t, pool, "c", clock)
	if third == nil || !abandoned || third.token != 3 {
		t.Fatalf("after a silent holder: %+v, abandoned %v; want token 3 and a wait", third, abandoned)
	}
	if err := second.renew(t.Context()); !errors.Is(err, errFenced) {
		t.Errorf("renewal by the holder that was overtaken: %v, want errFenced", err)
	}
}

func TestGuardFollowsTheHoldersOwnClock(t *testing.T) {
	pool := benchPool(t, "bench-1")
	clock := &fakeClock{time.Now()}
	l, _ := mustAcquire(t, pool, "a", clock)
	steps := []struct {
		after      time.Duration // TTL 15 s, margin 3 s: work ends at 9 s, safe state at 12 s
		work, safe bool
	}{{0, true, true}, {8999 * time.Millisecond, true, true}, {9 * time.Second, false, true}, {11999 * time.Millisecond, false, true}, {12 * time.Second, false, false}}
	start := clock.at
	for _, s := range steps {
		clock.at = start.Add(s.after)
		if work, safe := l.guardWork() == nil, l.guardSafe() == nil; work != s.work || safe != s.safe {
			t.Errorf("%s after the renewal: work %v, safe %v; want %v, %v", s.after, work, safe, s.work, s.safe)
		}
	}
	clock.at = start.Add(8 * time.Second)
	if err := l.renew(t.Context()); err != nil {
		t.Fatal(err)
	}
	clock.at = start.Add(16 * time.Second)
	if err := l.guardWork(); err != nil {
		t.Errorf("8 s after a renewal: %v", err)
	}
	l.giveUp()
	if err := l.guardSafe(); !errors.Is(err, errFenced) {
		t.Errorf("after giving up: %v, want errFenced", err)
	}
}

func TestFencedHolderWritesNothing(t *testing.T) {
	pool := benchPool(t, "bench-1")
	clock := &fakeClock{time.Now()}
	stale, _ := mustAcquire(t, pool, "a", clock)
	write := func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), `INSERT INTO build (name) VALUES ('2.4.0')`)
		return err
	}
	expire(t, pool)
	if err := stale.fenced(t.Context(), write); !errors.Is(err, errFenced) {
		t.Errorf("expired lease: %v, want errFenced", err)
	}
	mustAcquire(t, pool, "b", clock)
	if err := stale.fenced(t.Context(), write); !errors.Is(err, errFenced) {
		t.Errorf("overtaken lease: %v, want errFenced", err)
	}
	var rows int
	if err := pool.QueryRow(t.Context(), `SELECT count(*) FROM build`).Scan(&rows); err != nil || rows != 0 {
		t.Errorf("fenced holder left %d rows, %v", rows, err)
	}
}

func TestTakeoverWaitsForAFencedTransaction(t *testing.T) {
	pool := benchPool(t, "bench-1")
	clock := &fakeClock{time.Now()}
	l, _ := mustAcquire(t, pool, "a", clock)
	taken := make(chan error, 1)
	err := l.fenced(t.Context(), func(tx pgx.Tx) error {
		expire(t, pool)
		go func() {
			_, _, err := acquire(context.WithoutCancel(t.Context()), pool, "bench-1", "b", leaseTimings(), time.Now)
			taken <- err
		}()
		waitForLock(t, pool)
		_, err := tx.Exec(t.Context(), `INSERT INTO build (name) VALUES ('2.4.0')`)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := <-taken; err != nil {
		t.Fatal(err)
	}
	if err := l.fenced(t.Context(), func(pgx.Tx) error { return nil }); !errors.Is(err, errFenced) {
		t.Errorf("after the takeover: %v, want errFenced", err)
	}
}

// Storing may take long; the lease must not run out because of it.
func TestLeaseIsRenewedDuringAFencedTransaction(t *testing.T) {
	pool := benchPool(t, "bench-1")
	l, _ := mustAcquire(t, pool, "a", &fakeClock{time.Now()})
	err := l.fenced(t.Context(), func(pgx.Tx) error {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		return l.renew(ctx)
	})
	if err != nil {
		t.Errorf("renewal while a fenced transaction is open: %v", err)
	}
}

// waitForLock returns once a statement waits for a row that is locked.
func waitForLock(t *testing.T, db DB) {
	t.Helper()
	eventually(t, "a statement that waits for a lock", func() bool {
		var waiting int
		err := db.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND datname = current_database()`).Scan(&waiting)
		return err == nil && waiting > 0
	})
}

// eventually polls for something that happens outside this goroutine.
func eventually(t testing.TB, what string, happened func() bool) {
	t.Helper()
	within(t, 20*time.Second, what, happened)
}

func within(t testing.TB, limit time.Duration, what string, happened func() bool) {
	t.Helper()
	deadline := time.After(limit)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !happened() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("%s: did not happen within %s", what, limit)
		}
	}
}

func TestTimingsMustLeaveTimeForWork(t *testing.T) {
	if err := (Timings{}).withDefaults().validate(); err != nil {
		t.Errorf("defaults: %v", err)
	}
	if err := (Timings{TTL: 10 * time.Second, Margin: 3 * time.Second}).withDefaults().validate(); err == nil {
		t.Error("a lease of 10 s with margin 3 s renewed every 5 s leaves no time, want an error")
	}
}
