package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Once names a request, so that sending it again does it no second time. The
// zero value names none.
type Once struct {
	Operation string   // what is asked for, such as "POST /campaigns": a key counts for one operation
	Key       string   // chosen by who asks
	Hash      [32]byte // SHA-256 of the request
}

// OnceKept is how long a key is remembered.
const OnceKept = 24 * time.Hour

// ErrReused is returned for a key that was used for another request before.
var ErrReused = errors.New("this idempotency key was used for another request before; take a fresh key for a new request")

// find returns what an earlier request with this key made, uuid.Nil for none.
func (o Once) find(ctx context.Context, db DB) (uuid.UUID, error) {
	made, _, err := o.Answer(ctx, db)
	return made, err
}

// Answer returns what an earlier request with this key made, uuid.Nil for none,
// and the answer that it got, nil if it was not kept.
func (o Once) Answer(ctx context.Context, db DB) (made uuid.UUID, answer []byte, err error) {
	if o.Key == "" {
		return uuid.Nil, nil, nil
	}
	var hash []byte
	err = db.QueryRow(ctx, `SELECT made, answer, request_hash FROM idempotency_key
		WHERE operation = $1 AND key = $2 AND made_at > now() - make_interval(secs => $3)`, o.Operation, o.Key, OnceKept.Seconds()).Scan(&made, &answer, &hash)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return uuid.Nil, nil, nil
	case err != nil:
		return uuid.Nil, nil, fmt.Errorf("jobs: idempotency key: %w", err)
	case string(hash) != string(o.Hash[:]):
		return uuid.Nil, nil, fmt.Errorf("jobs: %w", ErrReused)
	}
	return made, answer, nil
}

// claim stores the key in the transaction that makes something, and returns
// what was made: another one if somebody was quicker. It waits for who claims
// the same key at the same time.
func (o Once) claim(ctx context.Context, tx pgx.Tx, made uuid.UUID) (uuid.UUID, error) {
	if o.Key == "" {
		return made, nil
	}
	_, err := tx.Exec(ctx, `DELETE FROM idempotency_key WHERE operation = $1 AND key = $2 AND made_at <= now() - make_interval(secs => $3)`,
		o.Operation, o.Key, OnceKept.Seconds())
	if err != nil {
		return uuid.Nil, fmt.Errorf("jobs: idempotency key: %w", err)
	}
	tag, err := tx.Exec(ctx, `INSERT INTO idempotency_key (operation, key, request_hash, made) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
		o.Operation, o.Key, o.Hash[:], made)
	if err != nil {
		return uuid.Nil, fmt.Errorf("jobs: idempotency key: %w", err)
	}
	if tag.RowsAffected() == 1 {
		return made, nil
	}
	return o.find(ctx, tx)
}

// KeepAnswer stores the answer to a request with a key, for those who ask again.
func (o Once) KeepAnswer(ctx context.Context, db DB, answer []byte) error {
	if o.Key == "" {
		return nil
	}
	_, err := db.Exec(ctx, `UPDATE idempotency_key SET answer = $3 WHERE operation = $1 AND key = $2 AND answer IS NULL`, o.Operation, o.Key, answer)
	if err != nil {
		return fmt.Errorf("jobs: idempotency key: %w", err)
	}
	return nil
}
