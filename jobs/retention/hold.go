package retention

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// ErrNotFound tells that there is no such run, campaign, unit or hold.
var ErrNotFound = errors.New("there is no such thing")

// ErrReleased tells that a hold was released before.
var ErrReleased = errors.New("it was released before")

// RefusedError says what is missing in a request.
type RefusedError struct{ Reason string }

// Error returns the reason.
func (e *RefusedError) Error() string { return "retention: " + e.Reason }

// Subject is what is held: exactly one of its fields.
type Subject struct {
	Run      uuid.UUID
	Campaign uuid.UUID
	Serial   string // of a radio unit: all of its runs, later ones too
}

// Hold keeps the evidence of something from being moved and thinned.
type Hold struct {
	ID            int64      `json:"id"`
	Campaign      *uuid.UUID `json:"campaign"` // exactly one of these three
	Run           *uuid.UUID `json:"run"`
	Serial        *string    `json:"serial"`
	Reason        string     `json:"reason"`
	HeldBy        string     `json:"held_by"`
	HeldAt        time.Time  `json:"held_at"`
	ReleasedBy    *string    `json:"released_by"` // null: it holds
	ReleaseReason *string    `json:"release_reason"`
	ReleasedAt    *time.Time `json:"released_at"`
}

// DB is what holds are kept in: a pool or a transaction.
type DB interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Begin(ctx context.Context) (pgx.Tx, error)
}

// longestReason bounds a reason, in bytes.
const longestReason = 2000

func (s Subject) check(reason, by string) error {
	n := 0
	for _, given := range []bool{s.Run != uuid.Nil, s.Campaign != uuid.Nil, s.Serial != ""} {
		if given {
			n++
		}
	}
	switch {
	case n != 1:
		return &RefusedError{"name one run, one campaign or one unit"}
	case strings.TrimSpace(reason) == "":
		return &RefusedError{"say why; whoever wonders in years will want to know"}
	case len(reason) > longestReason:
		return &RefusedError{fmt.Sprintf("a reason of %d bytes, at most %d are kept", len(reason), longestReason)}
	case strings.TrimSpace(by) == "":
		return &RefusedError{"it needs the name of who asks for it"}
	}
	return nil
}

// Keep holds the evidence of the subject from now on and returns the number of
// the hold. What was thinned before does not come back.
func Keep(ctx context.Context, db DB, s Subject, reason, by string) (id int64, err error) {
	if err := s.check(reason, by); err != nil {
		return 0, err
	}
	err = pgx.BeginFunc(ctx, db, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, int64(holdLock)); err != nil {
			return err
		}
		err := tx.QueryRow(ctx, `
			INSERT INTO evidence_hold (run_id, campaign_id, serial, reason, held_by)
			SELECT $1, $2, nullif($3, ''), $4, $5
			WHERE EXISTS (SELECT 1 FROM run WHERE id = $1) OR EXISTS (SELECT 1 FROM campaign WHERE id = $2) OR EXISTS (SELECT 1 FROM radio_unit WHERE serial = $3)
			RETURNING id`, orNull(s.Run), orNull(s.Campaign), s.Serial, strings.TrimSpace(reason), strings.TrimSpace(by)).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			return ErrNotFound
		}
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("retention: keeping evidence: %w", err)
	}
	return id, nil
}

func orNull(id uuid.UUID) *uuid.UUID {
	if id == uuid.Nil {
		return nil
	}
	return &id
}

// Release ends a hold. Its record stays.
func Release(ctx context.Context, db DB, id int64, reason, by string) error {
	if err := (Subject{Serial: "x"}).check(reason, by); err != nil {
		return err
	}
	var released bool
	err := db.QueryRow(ctx, `
		WITH ended AS (UPDATE evidence_hold SET released_by = $2, release_reason = $3, released_at = now()
			WHERE id = $1 AND released_at IS NULL RETURNING id)
		SELECT EXISTS (SELECT 1 FROM ended) FROM evidence_hold WHERE id = $1`, id, strings.TrimSpace(by), strings.TrimSpace(reason)).Scan(&released)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		err = ErrNotFound
	case err == nil && !released:
		err = ErrReleased
	}
	if err != nil {
		return fmt.Errorf("retention: hold %d: %w", id, err)
	}
	return nil
}

const holdQuery = `SELECT h.id, h.campaign_id, h.run_id, h.serial, h.reason, h.held_by, h.held_at, h.released_by, h.release_reason, h.released_at FROM evidence_hold h`

// Holds returns what is held, oldest first; with all also what was released.
func Holds(ctx context.Context, db DB, all bool) ([]Hold, error) {
	return holds(ctx, db, holdQuery+` WHERE $1 OR h.released_at IS NULL ORDER BY h.id`, all)
}

func holds(ctx context.Context, db DB, sql string, args ...any) ([]Hold, error) {
	rows, err := db.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("retention: reading holds: %w", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Hold])
	if err != nil {
		return nil, fmt.Errorf("retention: reading holds: %w", err)
	}
	return list, nil
}

// Change is what became of some evidence of a run.
type Change struct {
	What   string
	At     time.Time
	Policy string
	Pieces int
	Bytes  int64
}

// Thinned reports whether something went for good.
func (c Change) Thinned() bool { return c.What != Moved && c.Pieces > 0 }

// State is what is left of the evidence of a run.
type State struct {
	Changes []Change // oldest first
	Holds   []Hold   // those in force
}

// Of returns what is left of the evidence of a run.
func Of(ctx context.Context, db DB, run uuid.UUID) (s State, err error) {
	rows, err := db.Query(ctx, `SELECT what, at, policy, pieces, bytes FROM evidence_change WHERE run_id = $1 ORDER BY at, what`, run)
	if err == nil {
		s.Changes, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Change])
	}
	if err != nil {
		return s, fmt.Errorf("retention: evidence of run %s: %w", run, err)
	}
	s.Holds, err = holds(ctx, db, holdQuery+` JOIN run r ON r.id = $1
		WHERE h.released_at IS NULL AND (h.run_id = r.id OR h.campaign_id = r.campaign_id OR h.serial = r.serial) ORDER BY h.id`, run)
	return s, err
}

// String says it in one line: complete, thinned, held.
func (s State) String() string {
	var parts []string
	for _, c := range s.Changes {
		if c.Thinned() {
			parts = append(parts, fmt.Sprintf("%s thinned on %s under %s", c.What, c.At.UTC().Format(time.DateOnly), c.Policy))
		}
	}
	if len(parts) == 0 {
		parts = append(parts, "complete")
	}
	for _, h := range s.Holds {
		parts = append(parts, fmt.Sprintf("held by %s since %s: %s", h.HeldBy, h.HeldAt.UTC().Format(time.DateOnly), h.Reason))
	}
	return strings.Join(parts, "; ")
}
