package lab

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"

	"benchyard/instruments/document"

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
// Corrections in force stay in force for every path that the document still has:
// they are written to its end before it is stored. One that brings its own is
// refused (see CheckOwn). Where the elements of a path change and its correction does
// not, the correction no longer holds (see Stale).
//
// Versions are never changed. Applying the text that is in force already
// changes nothing. Applying an older version again puts that version back in
// force under its old id; its row then names who did so last and when, and the
// events keep the history.
func Apply(ctx context.Context, db Beginner, file string, data []byte, by string) (versionID int64, changed bool, err error) {
	if err := CheckOwn(file, data); err != nil {
		return 0, false, err
	}
	l, err := Parse(file, data)
	if err != nil {
		return 0, false, err
	}
	err = exclusively(ctx, db, func(tx pgx.Tx) error {
		before, version, err := Load(ctx, tx, 0)
		if err != nil && !errors.Is(err, ErrNoLab) {
			return err
		}
		complete := data
		if before != nil {
			if l, complete, err = l.with(file, data, append(l.kept(before.Corrections), l.exchanged(before, version, by)...)); err != nil {
				return err
			}
		}
		versionID, changed, err = put(ctx, tx, l, complete, by)
		return err
	})
	if err != nil {
		return 0, false, fmt.Errorf("lab: storing the inventory: %w", err)
	}
	return versionID, changed, nil
}

// Amend changes which corrections are in force, and nothing else, by a new
// version of the inventory. It calls amend with the version in force, which
// nobody else changes meanwhile, inside the transaction that stores the new one:
// an error of amend is returned as it is, and nothing is stored. ErrNoLab when
// there is no inventory.
func Amend(ctx context.Context, db Beginner, by string, amend func(tx pgx.Tx, l *Lab, version int64) ([]ApprovedCorrection, error)) (versionID int64, err error) {
	err = exclusively(ctx, db, func(tx pgx.Tx) error {
		l, id, err := Load(ctx, tx, 0)
		if err != nil {
			return err
		}
		list, err := amend(tx, l, id)
		if err != nil {
			return err
		}
		var text string
		if err := tx.QueryRow(ctx, `SELECT document FROM lab_version WHERE id = $1`, id).Scan(&text); err != nil {
			return fmt.Errorf("lab: reading the inventory: %w", err)
		}
		l, complete, err := l.with("lab.yaml", []byte(text), list)
		if err != nil {
			return err
		}
		versionID, _, err = put(ctx, tx, l, complete, by)
		return err
	})
	return versionID, err
}

// exclusively runs f in a transaction that no other writer of the inventory is
// in: two at once would both find themselves the latest.
func exclusively(ctx context.Context, db Beginner, f func(pgx.Tx) error) error {
	return pgx.BeginFunc(ctx, db, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `LOCK TABLE lab_version IN SHARE ROW EXCLUSIVE MODE`); err != nil {
			return fmt.Errorf("lab: taking the inventory: %w", err)
		}
		return f(tx)
	})
}

// With returns the inventory of a complete document with the corrections in
// force of another version for the paths that it has, and the complete document
// with them: what Apply would store.
func (l *Lab) With(file string, data []byte, other *Lab) (*Lab, []byte, error) {
	return l.with(file, data, l.kept(other.Corrections))
}

// with reads the document again with other corrections in force.
func (l *Lab) with(file string, data []byte, list []ApprovedCorrection) (*Lab, []byte, error) {
	if len(list) == 0 && len(l.Corrections) == 0 {
		return l, data, nil
	}
	complete := withCorrections(data, list)
	again, err := Parse(file, complete)
	if err == nil && !reflect.DeepEqual(again.Corrections, list) {
		err = document.Problems{{File: file, Message: "the corrections in force cannot be written to the end of the document"}}
	}
	if err != nil {
		return nil, nil, fmt.Errorf("lab: with the %d corrections in force at its end the document is not right any more; "+
			"its keys have to begin at the start of the line: %w", len(list), err)
	}
	return again, complete, nil
}

// put stores a version, unless it is in force already.
func put(ctx context.Context, tx pgx.Tx, l *Lab, data []byte, by string) (versionID int64, changed bool, err error) {
	hash := fmt.Sprintf("%x", sha256.Sum256(data))
	var latest string
	err = tx.QueryRow(ctx, `SELECT id, content_hash FROM lab_version ORDER BY applied_at DESC, id DESC LIMIT 1`).Scan(&versionID, &latest)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return 0, false, err
	}
	if err == nil && latest == hash {
		return versionID, false, nil
	}
	if versionID, err = insertVersion(ctx, tx, l, hash, string(data), by); err != nil {
		return 0, false, err
	}
	return versionID, true, insertInventory(ctx, tx, l, versionID, by)
}

func insertVersion(ctx context.Context, tx pgx.Tx, l *Lab, hash, document, by string) (id int64, err error) {
	// clock_timestamp: now() stands still within a transaction, and the order
	// of versions hangs on this time.
	_, asRead := decode("lab.yaml", []byte(document)) // l is after the corrections in force took their places
	err = tx.QueryRow(ctx, `
		INSERT INTO lab_version (name, simulated, content_hash, document, applied_by, applied_at, decoded, decoded_shape)
		VALUES ($1, $2, $3, $4, $5, clock_timestamp(), $6, $7)
		ON CONFLICT (content_hash) DO UPDATE SET applied_by = EXCLUDED.applied_by, applied_at = EXCLUDED.applied_at,
			decoded = EXCLUDED.decoded, decoded_shape = EXCLUDED.decoded_shape
		RETURNING id`, l.Name, l.Simulated, hash, document, by, encodeDecoded(asRead), shape).Scan(&id)
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
	var decoded []byte
	err := db.QueryRow(ctx, `
		SELECT id, CASE WHEN decoded_shape = $2 THEN decoded END, CASE WHEN decoded_shape = $2 AND decoded IS NOT NULL THEN '' ELSE document END
		FROM lab_version WHERE id = $1 OR $1 = 0
		ORDER BY applied_at DESC, id DESC LIMIT 1`, versionID, shape).Scan(&id, &decoded, &text)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, 0, ErrNoLab
	}
	if err != nil {
		return nil, 0, fmt.Errorf("lab: reading the inventory: %w", err)
	}
	// What was accepted once stays readable: checks that came later do not
	// apply to a version that results refer to.
	name := fmt.Sprintf("lab version %d", id)
	l, err := decodeDecoded(decoded)
	if err != nil {
		return nil, 0, fmt.Errorf("lab: reading the inventory, version %d: %w", id, err)
	}
	if l == nil {
		var d *document.Document
		if d, l = decode(name, []byte(text)); d.Problems() != nil {
			return nil, 0, fmt.Errorf("lab: reading the inventory: %w", d.Problems())
		}
	}
	if err := l.restoreTables(name); err != nil {
		return nil, 0, fmt.Errorf("lab: reading the inventory, version %d: %w", id, err)
	}
	l.override()
	return l, id, nil
}
