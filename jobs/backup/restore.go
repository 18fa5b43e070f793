package backup

import (
	"archive/zip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/klauspost/compress/zstd"

	"benchyard/jobs/blob"
	"benchyard/jobs/postgres"
)

// ErrDamaged tells that a file is no backup, or not a whole one.
var ErrDamaged = errors.New("the file is no whole backup; use another one")

// ErrNotEmpty tells that a database to restore into holds something.
var ErrNotEmpty = errors.New("the database is not empty; name an empty one, a backup is never laid over anything")

// ErrNewer tells that a backup was made of a newer schema than this program knows.
var ErrNewer = errors.New("the backup is of a newer program; restore it with that one")

// Archive is a backup that is open for reading.
type Archive struct {
	Manifest Manifest
	name     string
	zip      *zip.ReadCloser
	entries  map[string]*zip.File
}

// Open opens a backup and reads its manifest. The caller closes it.
func Open(path string) (*Archive, error) {
	z, err := zip.OpenReader(path)
	if errors.Is(err, zip.ErrFormat) {
		return nil, fmt.Errorf("backup: %s: %w (%w)", path, ErrDamaged, err)
	}
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	z.RegisterDecompressor(zstd.ZipMethodWinZip, zstd.ZipDecompressor())
	a := &Archive{name: path, zip: z, entries: map[string]*zip.File{}}
	for _, f := range z.File {
		a.entries[f.Name] = f
	}
	if err := a.manifest(); err != nil {
		return nil, errors.Join(fmt.Errorf("backup: %s: %w", path, err), z.Close())
	}
	return a, nil
}

// Close ends reading.
func (a *Archive) Close() error { return a.zip.Close() }

// longestManifest is far above that of a million objects.
const longestManifest = 1 << 30

func (a *Archive) manifest() error {
	f, err := a.entry(manifestName)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := json.NewDecoder(io.LimitReader(f, longestManifest)).Decode(&a.Manifest); err != nil {
		return fmt.Errorf("%w: its manifest: %w", ErrDamaged, err)
	}
	known, err := postgres.KnownLevel()
	if err != nil {
		return err
	}
	m := a.Manifest
	if m.Format > format || m.Level > known {
		return fmt.Errorf("%w: it has schema version %d, this program knows up to %d (made by %s)", ErrNewer, m.Level, known, m.Program)
	}
	if m.Format < 1 || m.Level < 1 {
		return fmt.Errorf("%w: its manifest names no schema", ErrDamaged)
	}
	return nil
}

func (a *Archive) entry(name string) (io.ReadCloser, error) {
	f := a.entries[name]
	if f == nil {
		return nil, fmt.Errorf("%w: %s is missing", ErrDamaged, name)
	}
	r, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrDamaged, name, err)
	}
	return r, nil
}

// Check reads everything in the file and compares it with the manifest.
func (a *Archive) Check(ctx context.Context, tell func(Progress)) error {
	at := Progress{All: a.Manifest.Size()}
	for _, t := range a.Manifest.Tables {
		var count tally
		if err := a.read(tablePath(t.Name), &count); err != nil {
			return fmt.Errorf("backup: %s: %w", a.name, err)
		}
		if err := count.against(t); err != nil {
			return fmt.Errorf("backup: %s: %w: %w", a.name, ErrDamaged, err)
		}
		at.Done, at.What = at.Done+t.Bytes, "checking "+t.Name
		tell(at)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
	}
	return a.eachBlob(ctx, &at, tell, func(key blob.Key, packed []byte) error { return blob.Verify(key, packed) })
}

func (a *Archive) read(name string, w io.Writer) error {
	r, err := a.entry(name)
	if err != nil {
		return err
	}
	defer r.Close()
	if _, err := io.Copy(w, r); err != nil { // with its CRC
		return fmt.Errorf("%w: %s: %w", ErrDamaged, name, err)
	}
	return nil
}

// eachBlob gives every object of the file to do.
func (a *Archive) eachBlob(ctx context.Context, at *Progress, tell func(Progress), do func(blob.Key, []byte) error) error {
	for _, b := range a.Manifest.Blobs {
		r, err := a.entry(blobPath(b.Key))
		if err != nil {
			return fmt.Errorf("backup: %s: %w", a.name, err)
		}
		packed, err := io.ReadAll(io.LimitReader(r, blob.MaxSize+1))
		err = errors.Join(err, r.Close())
		if err == nil && int64(len(packed)) != b.Stored {
			err = fmt.Errorf("it has %d bytes, not %d", len(packed), b.Stored)
		}
		if err != nil {
			return fmt.Errorf("backup: %s: %w: object %s: %w", a.name, ErrDamaged, b.Key, err)
		}
		if err := do(blob.Key(b.Key), packed); err != nil {
			return fmt.Errorf("backup: %s: object %s: %w", a.name, b.Key, err)
		}
		at.Done, at.What = at.Done+b.Stored, "evidence"
		tell(*at)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
	}
	return nil
}

// Target is what a backup is restored into.
type Target struct {
	Pool  *pgxpool.Pool
	Blobs *blob.Store // nil: objects are checked and not stored
	// Verify reads every row back and compares counts and sums with what was
	// written, before anything is committed.
	Verify bool
	// Settle runs with the rows in place, in their transaction: what must not be
	// taken over as it was. Nil: nothing.
	Settle func(context.Context, pgx.Tx) error
	Tell   func(Progress)
}

// Restore fills an empty database, and a store of its own, with a backup. All
// rows come in one transaction, so that a restore that fails leaves no row; it
// can be repeated. The schema is brought to the level of the backup first, and to
// that of this program at last.
func (a *Archive) Restore(ctx context.Context, to Target) error {
	if to.Tell == nil {
		to.Tell = func(Progress) {}
	}
	if err := mustBeEmpty(ctx, to.Pool, a.Manifest.Level); err != nil {
		return fmt.Errorf("backup: restoring: %w", err)
	}
	if err := a.Check(ctx, to.Tell); err != nil { // before anything is touched
		return err
	}
	if err := postgres.MigrateTo(ctx, to.Pool, a.Manifest.Level); err != nil {
		return fmt.Errorf("backup: restoring: %w", err)
	}
	at := Progress{All: a.Manifest.Size()}
	if to.Blobs != nil && len(a.Manifest.Blobs) > 0 { // what no row names in the end is swept
		err := a.eachBlob(ctx, &at, to.Tell, func(key blob.Key, packed []byte) error { return to.Blobs.Import(ctx, key, packed) })
		if err != nil {
			return err
		}
	}
	err := pgx.BeginFunc(ctx, to.Pool, func(tx pgx.Tx) error { return a.load(ctx, tx, to, &at) })
	if err != nil {
		return fmt.Errorf("backup: restoring: nothing was stored: %w", err)
	}
	if err := postgres.Migrate(ctx, to.Pool); err != nil {
		return err
	}
	if _, err := to.Pool.Exec(ctx, `ANALYZE`); err != nil {
		return fmt.Errorf("backup: restored; counting for the planner: %w", err)
	}
	return nil
}

// mustBeEmpty refuses a database with rows of ours, with tables of others, or at
// another level.
func mustBeEmpty(ctx context.Context, pool *pgxpool.Pool, level int64) error {
	at, err := postgres.Level(ctx, pool)
	if err != nil {
		return err
	}
	if at != 0 && at != level {
		return fmt.Errorf("%w: it has the schema version %d already, the backup has %d", ErrNotEmpty, at, level)
	}
	return pgx.BeginFunc(ctx, pool, func(tx pgx.Tx) error {
		list, err := tables(ctx, tx)
		if err != nil {
			return err
		}
		for _, t := range list {
			var rows bool
			if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT 1 FROM "+pgx.Identifier{t.Name}.Sanitize()+")").Scan(&rows); err != nil {
				return err
			}
			if rows || at == 0 {
				return fmt.Errorf("%w: see its table %s", ErrNotEmpty, t.Name)
			}
		}
		return nil
	})
}

// load fills the tables.
func (a *Archive) load(ctx context.Context, tx pgx.Tx, to Target, at *Progress) error {
	if _, err := tx.Exec(ctx, settings, pgx.QueryExecModeSimpleProtocol); err != nil {
		return err
	}
	for _, t := range a.Manifest.Tables {
		if err := a.fill(ctx, tx, t, to.Verify); err != nil {
			return err
		}
		at.Done, at.What = at.Done+t.Bytes, t.Name
		to.Tell(*at)
	}
	for _, s := range a.Manifest.Sequences {
		if s.Last == nil {
			continue
		}
		if _, err := tx.Exec(ctx, `SELECT setval(to_regclass($1), $2) WHERE to_regclass($1) IS NOT NULL`, pgx.Identifier{s.Name}.Sanitize(), *s.Last); err != nil {
			return fmt.Errorf("sequence %s: %w", s.Name, err)
		}
	}
	if to.Settle == nil {
		return nil
	}
	return to.Settle(ctx, tx)
}

// fill copies the rows of a table in. Our triggers tell the living of news, of
// which there are none; those of foreign keys stay.
func (a *Archive) fill(ctx context.Context, tx pgx.Tx, t Table, verify bool) error {
	name := pgx.Identifier{t.Name}.Sanitize()
	if _, err := tx.Exec(ctx, "ALTER TABLE "+name+" DISABLE TRIGGER USER"); err != nil {
		return fmt.Errorf("table %s: %w", t.Name, err)
	}
	r, err := a.entry(tablePath(t.Name))
	if err != nil {
		return err
	}
	var written tally
	_, err = tx.Conn().PgConn().CopyFrom(ctx, io.TeeReader(r, &written), t.to())
	if err = errors.Join(err, r.Close()); err != nil {
		return fmt.Errorf("table %s: %w", t.Name, err)
	}
	if err := written.against(t); err != nil {
		return err
	}
	if verify {
		var back tally
		if _, err := tx.Conn().PgConn().CopyTo(ctx, &back, t.from()); err != nil {
			return fmt.Errorf("table %s: %w", t.Name, err)
		}
		if err := back.against(t); err != nil {
			return fmt.Errorf("read back: %w", err)
		}
	}
	_, err = tx.Exec(ctx, "ALTER TABLE "+name+" ENABLE TRIGGER USER")
	return err
}
