package jobs

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"benchyard/jobs/watch"

	"github.com/jackc/pgx/v5"
)

// errFenced says that the lease of the bench is not ours any more: whatever
// was to be written must be thrown away.
var errFenced = errors.New("the lease of the bench is lost")

// lease is the right to drive one bench, as seen by its holder.
type lease struct {
	db      DB
	bench   string
	token   int64
	timings Timings
	now     func() time.Time // monotonic
	figures *watch.Figures   // nil: not counted

	mu      sync.Mutex
	renewed time.Time // just before the renewal that succeeded was sent
	lost    bool
	held    map[string]int64 // instruments in our hands, with the tokens of their leases
}

// acquire tries to take the lease of a bench. It returns nil when somebody
// else holds it. Abandoned is true when the last holder never gave it back:
// then it may still be inside its own deadline and the new holder must wait.
func acquire(ctx context.Context, db DB, bench, holder string, t Timings, now func() time.Time) (l *lease, abandoned bool, err error) {
	sent := now()
	l = &lease{db: db, bench: bench, timings: t, now: now, renewed: sent, held: map[string]int64{}}
	err = transact(ctx, db, func(tx pgx.Tx) error {
		var previous string
		var live bool
		err := tx.QueryRow(ctx, `SELECT holder, expires_at > now() FROM bench_lease WHERE bench = $1 FOR UPDATE`, bench).Scan(&previous, &live)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		if live {
			return errFenced
		}
		abandoned = previous != ""
		// Two agents may both have found no row: the condition lets one win.
		err = tx.QueryRow(ctx, `
			INSERT INTO bench_lease AS l (bench, token, holder, expires_at)
			VALUES ($1, 1, $2, now() + $3 * interval '1 second')
			ON CONFLICT (bench) DO UPDATE
			SET token = l.token + 1, holder = excluded.holder, draining = false, expires_at = excluded.expires_at, taken_at = now()
			WHERE l.expires_at <= now()
			RETURNING token`, bench, holder, t.TTL.Seconds()).Scan(&l.token)
		if errors.Is(err, pgx.ErrNoRows) {
			return errFenced
		}
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO bench_takeover (bench, token, holder, abandoned) VALUES ($1, $2, $3, $4)`, bench, l.token, holder, abandoned)
		return err
	})
	if errors.Is(err, errFenced) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("jobs: taking the lease of %s: %w", bench, err)
	}
	return l, abandoned, nil
}

// renew extends the lease. errFenced means that it has run out in between.
func (l *lease) renew(ctx context.Context) error {
	sent := l.now()
	tag, err := l.db.Exec(ctx, `UPDATE bench_lease SET expires_at = clock_timestamp() + $3 * interval '1 second'
		WHERE bench = $1 AND token = $2 AND expires_at > clock_timestamp()`, l.bench, l.token, l.timings.TTL.Seconds())
	if err != nil {
		return fmt.Errorf("jobs: renewing the lease of %s: %w", l.bench, err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if tag.RowsAffected() == 0 {
		l.lost = true
	}
	if l.lost {
		return errFenced
	}
	l.renewed = sent
	return nil
}

// release gives the lease back at once. The token stays, so that the next
// holder gets a larger one.
func (l *lease) release(ctx context.Context) error {
	l.giveUp()
	_, err := l.db.Exec(ctx, `UPDATE bench_lease SET holder = '', expires_at = clock_timestamp()
		WHERE bench = $1 AND token = $2`, l.bench, l.token)
	if err != nil {
		return fmt.Errorf("jobs: giving back the lease of %s: %w", l.bench, err)
	}
	return nil
}

// drain says on the board that the holder begins nothing new.
func (l *lease) drain(ctx context.Context) error {
	err := transact(ctx, l.db, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `UPDATE bench_lease SET draining = true WHERE bench = $1 AND token = $2 AND expires_at > clock_timestamp()`, l.bench, l.token)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		return emit(ctx, tx, change{kind: benchEvent, bench: l.bench, body: eventBody{Doing: "draining"}})
	})
	if err != nil {
		return fmt.Errorf("jobs: draining %s: %w", l.bench, err)
	}
	return nil
}

// giveUp makes every later check of the holder fail.
func (l *lease) giveUp() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lost = true
}

// workUntil returns when work must stop unless the lease is renewed before.
func (l *lease) workUntil() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.renewed.Add(l.timings.TTL - 2*l.timings.Margin)
}

// safeUntil returns when even the safe state must have ended.
func (l *lease) safeUntil() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.renewed.Add(l.timings.TTL - l.timings.Margin)
}

// guardWork stands before every write to an instrument.
func (l *lease) guardWork() error { return l.check(l.workUntil()) }

// guardSafe stands before every write of the safe state, which has a little longer.
func (l *lease) guardSafe() error { return l.check(l.safeUntil()) }

// check holds the monotonic clock against a deadline. One gap is left: a process
// that is stopped exactly between this check and the system call can send one
// message when it goes on. The grace of the next holder, its safe state, which it
// repeats while it is idle, and the fenced results limit that to one setting.
func (l *lease) check(deadline time.Time) error {
	l.mu.Lock()
	lost := l.lost
	l.mu.Unlock()
	if lost || !l.now().Before(deadline) {
		return fmt.Errorf("jobs: bench %s, token %d: %w", l.bench, l.token, errFenced)
	}
	return nil
}

// guarded is a guard of this lease that counts what it refuses.
func (l *lease) guarded(guard func() error) func() error {
	return func() error {
		err := guard()
		if err != nil {
			l.figures.Fenced(l.bench, watch.ToInstrument)
		}
		return err
	}
}

// fenced runs f in a transaction that holds the lease row: nobody can take the
// bench over before it has ended, since acquire locks the row for update. The
// lock is the weakest that does so, and renewals pass: a transaction that takes
// long would otherwise cost its own holder the lease. It returns errFenced, and f does not run,
// when the lease is not ours, or that of an instrument that we believe in our hands.
func (l *lease) fenced(ctx context.Context, f func(pgx.Tx) error) error {
	if err := l.guardSafe(); err != nil {
		l.figures.Fenced(l.bench, watch.ToTable)
		return err
	}
	return transact(ctx, l.db, func(tx pgx.Tx) error {
		var one int
		names, tokens := l.holding()
		err := tx.QueryRow(ctx, `
			SELECT 1 FROM bench_lease WHERE bench = $1 AND token = $2 AND expires_at > now() AND NOT EXISTS (
				SELECT 1 FROM unnest($3::text[], $4::bigint[]) AS ours (instrument, token) WHERE NOT EXISTS (
					SELECT 1 FROM instrument_lease i
					WHERE i.instrument = ours.instrument AND i.token = ours.token AND i.bench = $1 AND i.bench_token = $2))
			FOR KEY SHARE`, l.bench, l.token, names, tokens).Scan(&one)
		if errors.Is(err, pgx.ErrNoRows) {
			l.figures.Fenced(l.bench, watch.ToTable)
			return fmt.Errorf("jobs: bench %s, token %d: %w", l.bench, l.token, errFenced)
		}
		if err != nil {
			return fmt.Errorf("jobs: checking the lease of %s: %w", l.bench, err)
		}
		return f(tx)
	})
}
