package jobs

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// elsewhere says that an instrument is not there for this bench now.
type elsewhere struct {
	instrument string
	bench      string // that has it, or comes first
	waits      bool   // the bench only waits for it, but asked before
	left       bool   // its lease ended, and nobody has confirmed it safe since
}

// Error says who has the instrument, and what to do where nothing happens by itself.
func (e *elsewhere) Error() string {
	switch {
	case e.left:
		return fmt.Sprintf("%s was left by %s, which nobody has confirmed safe since: its units may transmit; start an agent for it, or look at it and clear its alarm",
			e.instrument, e.bench)
	case e.waits:
		return fmt.Sprintf("%s asked for %s before", e.bench, e.instrument)
	}
	return fmt.Sprintf("%s works with %s", e.bench, e.instrument)
}

// notHere reports whether an error says that an instrument is not there for the bench.
func notHere(err error) bool {
	var e *elsewhere
	return errors.As(err, &e)
}

// holds reports whether the instrument is ours, as far as this process knows.
func (l *lease) holds(instrument string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	_, ok := l.held[instrument]
	return ok
}

// holding returns the names of all instruments that are ours, with their tokens.
func (l *lease) holding() (names []string, tokens []int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, name := range slices.Sorted(maps.Keys(l.held)) {
		names, tokens = append(names, name), append(tokens, l.held[name])
	}
	return names, tokens
}

// guardInstrument stands before every write to an instrument: both leases must live.
// That of the instrument hangs under that of the bench, so that one deadline is that
// of both.
func (l *lease) guardInstrument(instrument string) func() error {
	return func() error {
		if !l.holds(instrument) {
			return fmt.Errorf("jobs: %s is not in the hands of %s: %w", instrument, l.bench, errFenced)
		}
		return l.guardWork()
	}
}

// obtain takes all the instruments, or none of them and says where one is. With queue
// the bench then waits in line: nobody who asks later for one of them comes first. What
// only the safe state wants goes ahead of the line.
func (l *lease) obtain(ctx context.Context, queue bool, instruments ...string) error {
	wanted := slices.Compact(slices.Sorted(slices.Values(instruments)))
	if !slices.ContainsFunc(wanted, func(name string) bool { return !l.holds(name) }) {
		return nil
	}
	var away *elsewhere
	var tokens map[string]int64
	err := l.fenced(ctx, func(tx pgx.Tx) error {
		var err error
		if away, err = l.whereabouts(ctx, tx, wanted, queue); err != nil {
			return err
		}
		if away != nil && !queue {
			return nil
		}
		if away != nil {
			return l.wait(ctx, tx, wanted, *away)
		}
		tokens, err = l.take(ctx, tx, wanted)
		return err
	})
	switch {
	case err != nil:
		return fmt.Errorf("jobs: taking %s for %s: %w", strings.Join(wanted, ", "), l.bench, err)
	case away != nil:
		return away
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	maps.Copy(l.held, tokens)
	return nil
}

// whereabouts locks the rows of the instruments, in the order of their names, and
// returns the first one that cannot be had.
func (l *lease) whereabouts(ctx context.Context, tx pgx.Tx, wanted []string, queue bool) (*elsewhere, error) {
	_, err := tx.Exec(ctx, `INSERT INTO instrument_lease (instrument) SELECT n FROM unnest($1::text[]) n ORDER BY n ON CONFLICT DO NOTHING`, wanted)
	if err != nil {
		return nil, err
	}
	// An instrument of an earlier holder of this bench is ours.
	rows, err := tx.Query(ctx, `
		SELECT i.instrument, coalesce(nullif(i.bench, $2), ''),
		       NOT EXISTS (SELECT 1 FROM bench_lease b WHERE b.bench = i.bench AND b.token = i.bench_token AND b.expires_at > clock_timestamp())
		FROM instrument_lease i WHERE i.instrument = ANY($1) ORDER BY i.instrument FOR UPDATE OF i`, wanted, l.bench)
	if err != nil {
		return nil, err
	}
	var away *elsewhere
	var e elsewhere
	_, err = pgx.ForEachRow(rows, []any{&e.instrument, &e.bench, &e.left}, func() error {
		if e.bench != "" && away == nil {
			found := e
			away = &found
		}
		return nil
	})
	if err != nil || away != nil || !queue {
		return away, err
	}
	return l.before(ctx, tx, wanted)
}

// before returns who asked for one of the instruments earlier and still waits.
func (l *lease) before(ctx context.Context, tx pgx.Tx, wanted []string) (*elsewhere, error) {
	e := &elsewhere{waits: true}
	err := tx.QueryRow(ctx, `
		SELECT w.bench, (SELECT min(n) FROM unnest(w.instruments) n WHERE n = ANY($2))
		FROM instrument_wait w WHERE w.bench <> $1 AND w.instruments && $2 AND `+waiting+`
		  AND w.number < coalesce((SELECT number FROM instrument_wait WHERE bench = $1 AND token = $3), 9223372036854775807)
		ORDER BY w.number LIMIT 1`, l.bench, wanted, l.token).Scan(&e.bench, &e.instrument)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return e, err
}

// waiting is true of a row w of instrument_wait whose bench still waits.
const waiting = `w.valid_until > clock_timestamp()
	AND EXISTS (SELECT 1 FROM bench_lease b WHERE b.bench = w.bench AND b.token = w.token AND b.expires_at > clock_timestamp())`

// wait puts the bench in line, or says that it still stands there.
func (l *lease) wait(ctx context.Context, tx pgx.Tx, wanted []string, away elsewhere) error {
	_, err := tx.Exec(ctx, `DELETE FROM instrument_wait WHERE bench = $1
		AND (token <> $2 OR valid_until < clock_timestamp())`, l.bench, l.token)
	if err != nil {
		return err
	}
	var first bool
	err = tx.QueryRow(ctx, `INSERT INTO instrument_wait (bench, token, instruments, valid_until)
		VALUES ($1, $2, $3, clock_timestamp() + $4 * interval '1 second')
		ON CONFLICT (bench) DO UPDATE SET instruments = excluded.instruments, valid_until = excluded.valid_until
		RETURNING xmax = 0`, l.bench, l.token, wanted, l.timings.TTL.Seconds()).Scan(&first)
	if err != nil || !first || away.waits || away.left {
		return err
	}
	return emit(ctx, tx, change{kind: benchEvent, bench: away.bench, body: eventBody{Text: l.bench + " waits for " + away.instrument}})
}

// take makes the instruments ours; their rows are locked.
func (l *lease) take(ctx context.Context, tx pgx.Tx, wanted []string) (map[string]int64, error) {
	if _, err := tx.Exec(ctx, `DELETE FROM instrument_wait WHERE bench = $1`, l.bench); err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, `
		UPDATE instrument_lease SET token = token + CASE WHEN bench = $2 AND bench_token = $3 THEN 0 ELSE 1 END,
		       bench = $2, bench_token = $3, taken_at = clock_timestamp()
		WHERE instrument = ANY($1) RETURNING instrument, token`, wanted, l.bench, l.token)
	if err != nil {
		return nil, err
	}
	return tokensByName(rows)
}

func tokensByName(rows pgx.Rows) (map[string]int64, error) {
	tokens := map[string]int64{}
	var name string
	var token int64
	_, err := pgx.ForEachRow(rows, []any{&name, &token}, func() error {
		tokens[name] = token
		return nil
	})
	return tokens, err
}

// inherit takes over what earlier holders of the bench have left.
func (l *lease) inherit(ctx context.Context) error {
	var tokens map[string]int64
	err := l.fenced(ctx, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `UPDATE instrument_lease SET token = token + 1, bench_token = $2, taken_at = clock_timestamp()
			WHERE bench = $1 AND bench_token <> $2 RETURNING instrument, token`, l.bench, l.token)
		if err == nil {
			tokens, err = tokensByName(rows)
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("jobs: instruments left to %s: %w", l.bench, err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	maps.Copy(l.held, tokens)
	return nil
}

// giveBack lets other benches have the instruments that are not to be kept, and wakes
// who waits for them. From here on this process does not write to them; what was not
// stored because the database is away is stored by the next call.
func (l *lease) giveBack(ctx context.Context, keep func(instrument string) bool) error {
	kept := []string{}
	l.mu.Lock()
	for name := range l.held {
		if keep(name) {
			kept = append(kept, name)
		} else {
			delete(l.held, name)
		}
	}
	l.mu.Unlock()
	err := transact(ctx, l.db, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `UPDATE instrument_lease SET bench = NULL, bench_token = NULL
			WHERE bench = $1 AND bench_token = $2 AND NOT instrument = ANY($3) RETURNING instrument`, l.bench, l.token, kept)
		if err != nil {
			return err
		}
		given, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil || len(given) == 0 {
			return err
		}
		return l.wakeWaiters(ctx, tx, given)
	})
	if err != nil {
		return fmt.Errorf("jobs: giving back instruments of %s: %w", l.bench, err)
	}
	return nil
}

// wakeWaiters tells those who wait for one of the instruments that it is free.
func (l *lease) wakeWaiters(ctx context.Context, tx pgx.Tx, given []string) error {
	rows, err := tx.Query(ctx, `SELECT w.bench FROM instrument_wait w WHERE w.bench <> $1 AND w.instruments && $2
		AND `+waiting+` ORDER BY w.number`, l.bench, given)
	if err != nil {
		return err
	}
	benches, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(benches) == 0 {
		return err
	}
	var changes []change
	for _, bench := range benches {
		changes = append(changes, change{kind: benchEvent, bench: bench, body: eventBody{Text: strings.Join(given, ", ") + " given back by " + l.bench}})
	}
	return emit(ctx, tx, changes...)
}

// wanted reports whether another bench waits for one of the instruments.
func (l *lease) wanted(ctx context.Context, instruments []string) (bool, error) {
	var is bool
	err := l.db.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM instrument_wait w WHERE w.bench <> $1 AND w.instruments && $2
		AND `+waiting+`)`, l.bench, instruments).Scan(&is)
	if err != nil {
		return false, fmt.Errorf("jobs: who waits for %s: %w", strings.Join(instruments, ", "), err)
	}
	return is, nil
}

// withdraw takes the bench out of the line.
func (l *lease) withdraw(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if _, err := l.db.Exec(ctx, `DELETE FROM instrument_wait WHERE bench = $1 AND token = $2`, l.bench, l.token); err != nil {
		return fmt.Errorf("jobs: %s waits no more: %w", l.bench, err)
	}
	return nil
}
