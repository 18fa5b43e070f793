package backup

import (
	"archive/zip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/klauspost/compress/zstd"

	"benchyard/jobs/blob"
	"benchyard/jobs/postgres"
)

// Source is what is backed up.
type Source struct {
	Pool    *pgxpool.Pool
	Blobs   *blob.Store
	Program string         // version of this program, for the manifest
	Tell    func(Progress) // from time to time; nil: nobody is told
}

// Write makes a backup at path: whole, or not at all. Work on the database goes
// on meanwhile and is not seen. Objects that are damaged already do not stop it:
// the manifest lists them as missing.
func Write(ctx context.Context, from Source, path string) (m Manifest, err error) {
	if _, err := os.Stat(path); err == nil {
		return m, fmt.Errorf("backup: %s exists; name another file or move it away", path)
	}
	file, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".partial-")
	if err != nil {
		return m, fmt.Errorf("backup: %w; name a file in a folder that can be written", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, file.Close(), os.Remove(file.Name()))
		}
	}()
	if m, err = write(ctx, from, file); err != nil {
		return m, fmt.Errorf("backup: %w", err)
	}
	if err = file.Sync(); err != nil {
		return m, fmt.Errorf("backup: %w", err)
	}
	if err = os.Rename(file.Name(), path); err != nil {
		return m, fmt.Errorf("backup: %w", err)
	}
	dir, openErr := os.Open(filepath.Dir(path))
	if openErr == nil { // the name reaches the disk too
		openErr = errors.Join(dir.Sync(), dir.Close())
	}
	return m, errors.Join(openErr, file.Close())
}

// writer is a backup being written.
type writer struct {
	Source
	archive *zip.Writer
	tx      pgx.Tx
	m       Manifest
	at      Progress
}

func write(ctx context.Context, from Source, file io.Writer) (Manifest, error) {
	w := &writer{Source: from, archive: zip.NewWriter(file), m: Manifest{Format: format, Program: from.Program}}
	w.archive.RegisterCompressor(zstd.ZipMethodWinZip, zstd.ZipCompressor(zstd.WithEncoderConcurrency(1)))
	release, err := w.quiet(ctx) // before the snapshot, which must not name what goes
	if err != nil {
		return w.m, err
	}
	defer release()
	err = pgx.BeginTxFunc(ctx, from.Pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		w.tx = tx
		return w.snapshot(ctx)
	})
	if err != nil {
		return w.m, err
	}
	entry, err := w.archive.CreateHeader(&zip.FileHeader{Name: manifestName, Method: zip.Deflate, Modified: w.m.MadeAt})
	if err != nil {
		return w.m, err
	}
	text := json.NewEncoder(entry)
	text.SetIndent("", "  ")
	return w.m, errors.Join(text.Encode(w.m), w.archive.Close())
}

// snapshot writes everything that one snapshot of the database shows.
func (w *writer) snapshot(ctx context.Context) error {
	if _, err := w.tx.Exec(ctx, settings, pgx.QueryExecModeSimpleProtocol); err != nil {
		return err
	}
	err := w.tx.QueryRow(ctx, `SELECT now() AT TIME ZONE 'UTC', current_setting('server_version')`).Scan(&w.m.MadeAt, &w.m.Server)
	if err != nil {
		return err
	}
	if w.m.Level, err = postgres.Level(ctx, w.tx); err != nil {
		return err
	}
	if w.m.Level == 0 {
		return errors.New("the database is empty; there is nothing to back up")
	}
	list, err := tables(ctx, w.tx)
	if err != nil {
		return err
	}
	if err := w.blobs(ctx, list); err != nil {
		return err
	}
	for _, t := range list {
		if err := w.table(ctx, t); err != nil {
			return fmt.Errorf("table %s: %w", t.Name, err)
		}
	}
	return w.sequences(ctx)
}

func (w *writer) tell(what string, more int64) {
	w.at.Done, w.at.What = w.at.Done+more, what
	if w.Tell != nil {
		w.Tell(w.at)
	}
}

// table copies rows. Its size on the disk stands for the length of its text until
// that is known.
func (w *writer) table(ctx context.Context, t Table) error {
	estimate := t.Bytes
	entry, err := w.archive.CreateHeader(&zip.FileHeader{Name: tablePath(t.Name), Method: zstd.ZipMethodWinZip, Modified: w.m.MadeAt})
	if err != nil {
		return err
	}
	var count tally
	told := int64(0)
	pass := writerFunc(func(p []byte) (int, error) {
		if _, err := count.Write(p); err != nil {
			return 0, err
		}
		if more := min(count.bytes, estimate) - told; more > 1<<20 {
			told += more
			w.tell(t.Name, more)
		}
		return entry.Write(p)
	})
	if _, err := w.tx.Conn().PgConn().CopyTo(ctx, pass, t.from()); err != nil {
		return err
	}
	t.Rows, t.Bytes, t.Sum = count.rows, count.bytes, count.sum()
	w.m.Tables = append(w.m.Tables, t)
	w.tell(t.Name, estimate-told)
	return nil
}

func tablePath(name string) string { return "tables/" + name + ".copy" }
func blobPath(key string) string   { return "blobs/" + key }

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

// quiet keeps every object in its place until release.
func (w *writer) quiet(ctx context.Context) (release func(), err error) {
	if w.Blobs == nil {
		return func() {}, nil
	}
	return w.Blobs.Quiet(ctx)
}

// blobs copies the objects that the snapshot names.
func (w *writer) blobs(ctx context.Context, list []Table) error {
	for _, t := range list {
		w.at.All += t.Bytes
	}
	var known bool
	if err := w.tx.QueryRow(ctx, `SELECT to_regclass('blob') IS NOT NULL`).Scan(&known); err != nil || !known {
		return err
	}
	found, err := blob.Named(ctx, w.tx)
	if err != nil {
		return err
	}
	for _, b := range found {
		w.at.All += b.Stored
	}
	for _, b := range found {
		if err := w.blob(ctx, b); err != nil {
			return err
		}
		w.tell("evidence", b.Stored)
	}
	return nil
}

func (w *writer) blob(ctx context.Context, b blob.Entry) error {
	packed, err := w.Blobs.Packed(ctx, b.Key)
	var damaged *blob.DamagedError
	if errors.As(err, &damaged) {
		w.m.Missing = append(w.m.Missing, Missing{string(b.Key), damaged.Error()})
		return nil
	}
	if err != nil {
		return err
	}
	entry, err := w.archive.CreateHeader(&zip.FileHeader{Name: blobPath(string(b.Key)), Method: zip.Store, Modified: w.m.MadeAt})
	if err != nil {
		return err
	}
	if _, err := entry.Write(packed); err != nil {
		return err
	}
	w.m.Blobs = append(w.m.Blobs, Blob{string(b.Key), int64(len(packed))})
	return nil
}

// sequences are read after the rows: they never go back, so that none gives a
// number that a row has.
func (w *writer) sequences(ctx context.Context) error {
	rows, err := w.tx.Query(ctx, `SELECT sequencename, last_value FROM pg_sequences WHERE schemaname = current_schema()
		AND sequencename NOT LIKE 'goose%' ORDER BY sequencename`)
	if err != nil {
		return err
	}
	w.m.Sequences, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Sequence])
	return err
}
