package lab

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// ErrNoLab says that no inventory was applied yet, or not the version asked for.
var ErrNoLab = errors.New("lab: no such inventory; apply one with: benchyard lab apply FILE")

// Beginner starts a transaction; a pool, a connection and a transaction can.
type Beginner interface {
	Begin(ctx context.Context) (pgx.Tx, error)
}

// RowQueryer asks for one row; a pool, a connection and a transaction can.
type RowQueryer interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// Apply puts an inventory in force: it checks the document, stores it as a
// version by the hash of its text, makes sure that every bench, radio unit and
// build has its row, and announces the change as an event, all in one
// transaction. The document must be complete (see ParseIn).
//
// Versions are never changed. Applying the text that is in force already
// changes nothing. Applying an older version again puts that version back in
// force under its old id; its row then names who did so last and when, and the
// events keep the history.
func Apply(ctx context.Context, db Beginner, file string, data []byte, by string) (versionID int64, changed bool, err error) {
	l, err := Parse(file, data)
	if err != nil {
		return 0, false, err
	}
	err = pgx.BeginFunc(ctx, db, func(tx pgx.Tx) error {
		// Two writers at once would both find themselves the latest.
		if _, err := tx.Exec(ctx, `LOCK TABLE lab_version IN SHARE ROW EXCLUSIVE MODE`); err != nil {
			return err
		}
		hash := fmt.Sprintf("%x", sha256.Sum256(data))
		var id int64
		var latest string
		err := tx.QueryRow(ctx, `SELECT id, content_hash FROM lab_version ORDER BY applied_at DESC, id DESC LIMIT 1`).Scan(&id, &latest)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		if err == nil && latest == hash {
			versionID = id
			return nil
		}
		changed = true
		versionID, err = insertVersion(ctx, tx, l, hash, string(data), by)
		if err != nil {
			return err
		}
		return insertInventory(ctx, tx, l, versionID, by)
	})
	if err != nil {
		return 0, false, fmt.Errorf("lab: storing the inventory: %w", err)
	}
	return versionID, changed, nil
}

func insertVersion(ctx context.Context, tx pgx.Tx, l *Lab, hash, document, by string) (id int64, err error) {
	// clock_timestamp: now() stands still within a transaction, and the order
	// of versions hangs on this time.
	err = tx.QueryRow(ctx, `
		INSERT INTO lab_version (name, simulated, content_hash, document, applied_by, applied_at)
		VALUES ($1, $2, $3, $4, $5, clock_timestamp())
		ON CONFLICT (content_hash) DO UPDATE SET applied_by = EXCLUDED.applied_by, applied_at = EXCLUDED.applied_at
		RETURNING id`, l.Name, l.Simulated, hash, document, by).Scan(&id)
	return id, err
}

// insertInventory brings the rows that other tables refer to in line with the
// inventory. Rows of what is no longer in it stay: results hang on them.
func insertInventory(ctx context.Context, tx pgx.Tx, l *Lab, versionID int64, by string) error {
	var batch pgx.Batch
	for _, b := range l.Benches {
		batch.Queue(`INSERT INTO bench (name) VALUES ($1) ON CONFLICT (name) DO NOTHING`, b.Name)
	}
	for _, u := range l.Units {
		batch.Queue(`
			INSERT INTO radio_unit (serial, type, revision) VALUES ($1, $2, $3)
			ON CONFLICT (serial) DO UPDATE SET type = EXCLUDED.type, revision = EXCLUDED.revision`, u.Serial, u.Type, u.Revision)
	}
	for _, build := range l.Builds {
		batch.Queue(`INSERT INTO build (name) VALUES ($1) ON CONFLICT (name) DO NOTHING`, build)
	}
	body, err := json.Marshal(map[string]any{"lab_id": versionID, "name": l.Name, "simulated": l.Simulated, "by": by})
	if err != nil {
		return err
	}
	batch.Queue(`INSERT INTO event (kind, body) VALUES ('lab', $1)`, body)
	return tx.SendBatch(ctx, &batch).Close()
}

// Load returns a stored version of the inventory and its id. Version zero is
// the one in force. ErrNoLab when there is none.
func Load(ctx context.Context, db RowQueryer, versionID int64) (*Lab, int64, error) {
	var id int64
	var text string
	err := db.QueryRow(ctx, `
		SELECT id, document FROM lab_version WHERE id = $1 OR $1 = 0
		ORDER BY applied_at DESC, id DESC LIMIT 1`, versionID).Scan(&id, &text)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, 0, ErrNoLab
	}
	if err != nil {
		return nil, 0, fmt.Errorf("lab: reading the inventory: %w", err)
	}
	// What was accepted once stays readable: checks that came later do not
	// apply to a version that results refer to.
	name := fmt.Sprintf("lab version %d", id)
	d, l := decode(name, []byte(text))
	if problems := d.Problems(); problems != nil {
		return nil, 0, fmt.Errorf("lab: reading the inventory: %w", problems)
	}
	l.restoreTables(name, []byte(text))
	return l, id, nil
}
