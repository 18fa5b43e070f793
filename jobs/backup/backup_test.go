package backup

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/blob"
	"benchyard/jobs/postgres"
)

func exec(t *testing.T, pool *pgxpool.Pool, sql string, args ...any) {
	t.Helper()
	if _, err := pool.Exec(t.Context(), sql, args...); err != nil {
		t.Fatal(err)
	}
}

func number(t *testing.T, pool *pgxpool.Pool, sql string) (n int64) {
	t.Helper()
	if err := pool.QueryRow(t.Context(), sql).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// seed fills tables with what text forms get wrong: separators, backslashes,
// end marks, bytes, null beside empty, extremes of numbers and times.
func seed(t *testing.T, pool *pgxpool.Pool) {
	t.Helper()
	exec(t, pool, `
		WITH l AS (INSERT INTO lab_version (name, simulated, content_hash, document, applied_by)
			VALUES (E'tab\tback\\slash\nline\r', true, 'h', E'\\.\nü☃', '') RETURNING id),
		p AS (INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ('plan', 'h', '', '\N') RETURNING id),
		b AS (INSERT INTO build (name, created_at) VALUES ('2.4.0', '0001-01-01 00:00:00.000001+00'), ('2.5.0', 'infinity') RETURNING name),
		u AS (INSERT INTO radio_unit (serial, type, revision) VALUES ('T4-0001', 'type', '') RETURNING serial),
		c AS (INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by)
			SELECT gen_random_uuid(), 'campaign', p.id, l.id, b.name, true, 'set', 'test' FROM l, p, b RETURNING id),
		r AS (INSERT INTO run (id, campaign_id, serial, unit_type, cases, estimate_s, instruments)
			SELECT gen_random_uuid(), c.id, u.serial, 'type', 1, 1e-300, '{"a": [1.10, null, "\u2028"]}' FROM c, u RETURNING id)
		INSERT INTO run_segment (run_id, number, title, cases) SELECT id, 1, '', 1 FROM r`)
	exec(t, pool, `INSERT INTO run (id, campaign_id, serial, unit_type, attempt, repeats, cases)
		SELECT gen_random_uuid(), campaign_id, serial, unit_type, 2, id, 1 FROM run`)
	exec(t, pool, `INSERT INTO transcript (run_id, segment, attempt, body) SELECT run_id, 1, 1, '\x00ff0a5c2e0a'::bytea FROM run_segment`)
	exec(t, pool, `INSERT INTO event (kind, body) SELECT 'lab', jsonb_build_object('n', n) FROM generate_series(1, 500) n`)
	exec(t, pool, `INSERT INTO jobq.river_job (kind, max_attempts, queue, args) VALUES ('segment', 3, 'bench_a', '{}')`)
	exec(t, pool, `INSERT INTO bench (name) VALUES ('bench-1')`)
	exec(t, pool, `INSERT INTO bench_lease (bench, token, holder, expires_at) VALUES ('bench-1', 41, 'a', now() + interval '1 hour')`)
}

func backUp(t *testing.T, from Source) (Manifest, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "b.zip")
	m, err := Write(t.Context(), from, path)
	if err != nil {
		t.Fatal(err)
	}
	return m, path
}

func restore(t *testing.T, path string, to Target) error {
	t.Helper()
	a, err := Open(path)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.Restore(t.Context(), to)
}

func TestRoundTrip(t *testing.T) {
	from, to := postgres.Test(t), postgres.TestEmpty(t)
	seed(t, from)
	exec(t, from, `DELETE FROM event WHERE id = 500`) // its number must not come again
	var seen []Progress
	m, path := backUp(t, Source{Pool: from, Program: "test", Tell: func(p Progress) { seen = append(seen, p) }})
	if last := seen[len(seen)-1]; last.All == 0 || last.Done != last.All {
		t.Errorf("progress ends with %+v", last)
	}
	if err := restore(t, path, Target{Pool: to, Verify: true}); err != nil {
		t.Fatal(err)
	}
	// The copy gives the same manifest, table by table.
	again, _ := backUp(t, Source{Pool: to})
	for i, want := range m.Tables {
		if got := again.Tables[i]; got.Name != want.Name || got.Rows != want.Rows || got.Sum != want.Sum {
			t.Errorf("%s: %d rows %s, want %d rows %s", want.Name, got.Rows, got.Sum, want.Rows, want.Sum)
		}
	}
	if m.Rows() < 500 || len(m.Sequences) == 0 {
		t.Errorf("%d rows, sequences %v", m.Rows(), m.Sequences)
	}
	if n := number(t, to, `INSERT INTO event (kind) VALUES ('lab') RETURNING id`); n != 501 {
		t.Errorf("the next event has the number %d, want 501", n)
	}
	if n := number(t, to, `SELECT count(*) FROM jobq.river_job`); n != 0 {
		t.Errorf("%d tickets came along", n)
	}
	if err := postgres.Validate(t.Context(), to); err != nil {
		t.Error(err)
	}
	exec(t, to, `DELETE FROM event`) // its trigger is at work again
	listening(t, to)
}

// listening fails unless an event still notifies.
func listening(t *testing.T, pool *pgxpool.Pool) {
	t.Helper()
	conn, err := pool.Acquire(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Release()
	if _, err := conn.Exec(t.Context(), `LISTEN benchyard`); err != nil {
		t.Fatal(err)
	}
	exec(t, pool, `INSERT INTO event (kind) VALUES ('lab')`)
	if _, err := conn.Conn().WaitForNotification(t.Context()); err != nil {
		t.Error(err)
	}
	if _, err := conn.Exec(t.Context(), `UNLISTEN *`); err != nil {
		t.Error(err)
	}
}

func TestAnEarlierSchemaIsBroughtUp(t *testing.T) {
	from, to := postgres.TestEmpty(t), postgres.TestEmpty(t)
	if err := postgres.MigrateTo(t.Context(), from, 11); err != nil {
		t.Fatal(err)
	}
	exec(t, from, `INSERT INTO build (name) VALUES ('2.4.0')`)
	m, path := backUp(t, Source{Pool: from})
	if m.Level != 11 {
		t.Errorf("level %d", m.Level)
	}
	if err := restore(t, path, Target{Pool: to, Verify: true}); err != nil {
		t.Fatal(err)
	}
	if err := postgres.Validate(t.Context(), to); err != nil {
		t.Error(err)
	}
	if n := number(t, to, `SELECT count(*) FROM build`); n != 1 {
		t.Errorf("%d builds", n)
	}
}

func TestRefusals(t *testing.T) {
	from := postgres.Test(t)
	seed(t, from)
	_, path := backUp(t, Source{Pool: from})
	if _, err := Write(t.Context(), Source{Pool: from}, path); err == nil || !strings.Contains(err.Error(), "exists") {
		t.Errorf("over a file: %v", err)
	}
	if _, err := Write(t.Context(), Source{Pool: postgres.TestEmpty(t)}, path+"2"); err == nil || !strings.Contains(err.Error(), "empty") {
		t.Errorf("of nothing: %v", err)
	}
	if err := restore(t, path, Target{Pool: from}); !errors.Is(err, ErrNotEmpty) {
		t.Errorf("into a database with rows: %v", err)
	}
	foreign := postgres.TestEmpty(t)
	exec(t, foreign, `CREATE TABLE payroll (id int)`)
	if err := restore(t, path, Target{Pool: foreign}); !errors.Is(err, ErrNotEmpty) || !strings.Contains(err.Error(), "payroll") {
		t.Errorf("into a database of others: %v", err)
	}
	if err := restore(t, path, Target{Pool: postgres.Test(t)}); err != nil {
		t.Errorf("into a migrated database without rows: %v", err)
	}
	newer := rewrite(t, path, manifestName, func(b []byte) []byte { return bytes.Replace(b, []byte(`"level": `), []byte(`"level": 9`), 1) })
	if err := restore(t, newer, Target{Pool: postgres.TestEmpty(t)}); !errors.Is(err, ErrNewer) {
		t.Errorf("of a newer schema: %v", err)
	}
	if leftovers, _ := filepath.Glob(filepath.Dir(path) + "/*partial*"); len(leftovers) > 0 {
		t.Errorf("left over: %v", leftovers)
	}
}

// rewrite changes one entry of an archive, with a right checksum.
func rewrite(t *testing.T, path, name string, change func([]byte) []byte) string {
	t.Helper()
	a, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range a.zip.File {
		if f.Name != name {
			if err := w.Copy(f); err != nil {
				t.Fatal(err)
			}
			continue
		}
		var text bytes.Buffer
		if err := a.read(name, &text); err != nil {
			t.Fatal(err)
		}
		entry, err := w.Create(name)
		if err == nil {
			_, err = entry.Write(change(text.Bytes()))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(t.TempDir(), "changed.zip")
	if err := os.WriteFile(other, out.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return other
}

// A damaged file is refused before anything is touched, wherever the damage is.
func TestDamagedFiles(t *testing.T) {
	from, to := postgres.Test(t), postgres.TestEmpty(t)
	seed(t, from)
	store := blob.NewStore(from, blob.Place{DataDir: t.TempDir()})
	defer store.Close()
	key, err := store.Put(t.Context(), bytes.Repeat([]byte("evidence"), 1000))
	if err != nil {
		t.Fatal(err)
	}
	exec(t, from, `UPDATE transcript SET body = NULL, blob = $1`, string(key))
	_, path := backUp(t, Source{Pool: from, Blobs: store})
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	damaged := filepath.Join(t.TempDir(), "damaged.zip")
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 60 {
		b := bytes.Clone(whole)
		if i%3 == 0 {
			b = b[:r.IntN(len(b))]
		} else {
			at := r.IntN(len(b))
			b[at] ^= byte(1 << r.IntN(8))
		}
		if err := os.WriteFile(damaged, b, 0o600); err != nil {
			t.Fatal(err)
		}
		a, err := Open(damaged)
		if err == nil {
			err = errors.Join(a.Check(t.Context(), func(Progress) {}), a.Close())
		}
		// A bit of a header that nobody reads may flip, such as a time; then the
		// content is what it was.
		if err == nil && i%3 == 0 {
			t.Errorf("a file cut at %d passes", len(b))
		}
	}
	less := rewrite(t, path, tablePath("event"), func(b []byte) []byte { return b[bytes.IndexByte(b, '\n')+1:] })
	other := rewrite(t, path, tablePath("build"), func(b []byte) []byte { return bytes.Replace(b, []byte("2.4.0"), []byte("2.4.1"), 1) })
	evidence := rewrite(t, path, blobPath(string(key)), func(b []byte) []byte { b[len(b)/2]++; return b })
	for _, file := range []string{less, other, evidence} {
		if err := restore(t, file, Target{Pool: to}); err == nil {
			t.Errorf("%s was restored", file)
		}
	}
	if level, err := postgres.Level(t.Context(), to); err != nil || level != 0 {
		t.Errorf("the target was touched: level %d (%v)", level, err)
	}
}

// Rows that come in pairs, one transaction each, while the backup is written.
func TestOneSnapshotWhileOthersWrite(t *testing.T) {
	from, to := postgres.Test(t), postgres.TestEmpty(t)
	seed(t, from)
	ctx, stop := context.WithCancel(t.Context())
	var writing sync.WaitGroup
	begun := make(chan struct{})
	writing.Go(func() {
		for i := 0; ctx.Err() == nil; i++ {
			_, err := from.Exec(t.Context(), fmt.Sprintf(`WITH b AS (INSERT INTO build (name) VALUES ('w%d'))
				INSERT INTO radio_unit (serial, type, revision) VALUES ('w%d', 'written', '')`, i, i))
			if err != nil {
				t.Error(err)
				return
			}
			if i == 20 {
				close(begun)
			}
		}
	})
	<-begun
	_, path := backUp(t, Source{Pool: from})
	stop()
	writing.Wait()
	if err := restore(t, path, Target{Pool: to, Verify: true}); err != nil {
		t.Fatal(err)
	}
	builds, units := number(t, to, `SELECT count(*) FROM build WHERE name LIKE 'w%'`), number(t, to, `SELECT count(*) FROM radio_unit WHERE type = 'written'`)
	if builds < 20 || builds != units {
		t.Errorf("%d builds and %d units of one moment", builds, units)
	}
}

func TestObjectsComeAlong(t *testing.T) {
	from, to := postgres.Test(t), postgres.TestEmpty(t)
	seed(t, from)
	dir := t.TempDir()
	store := blob.NewStore(from, blob.Place{Address: dir})
	defer store.Close()
	var keys []blob.Key
	for i := range 2 {
		key, err := store.Put(t.Context(), bytes.Repeat([]byte{byte(i), 'x'}, 3000))
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, key)
		exec(t, from, `INSERT INTO transcript (run_id, segment, attempt, blob) SELECT run_id, 1, 2 + $2, $1 FROM run_segment LIMIT 1`, string(key), i)
	}
	if err := os.Truncate(filepath.Join(dir, string(keys[1][:2]), string(keys[1][2:])+".zst"), 4); err != nil {
		t.Fatal(err)
	}
	m, path := backUp(t, Source{Pool: from, Blobs: store})
	if len(m.Blobs) != 1 || m.Blobs[0].Key != string(keys[0]) || len(m.Missing) != 1 || m.Missing[0].Key != string(keys[1]) {
		t.Errorf("objects %v, missing %v", m.Blobs, m.Missing)
	}
	// The store of the first database is not for the second.
	if err := restore(t, path, Target{Pool: to, Blobs: blob.NewStore(to, blob.Place{Address: dir})}); !errors.Is(err, blob.ErrOther) {
		t.Errorf("into the same folder: %v", err)
	}
	second := blob.NewStore(to, blob.Place{Address: t.TempDir()})
	defer second.Close()
	if err := restore(t, path, Target{Pool: to, Blobs: second, Verify: true}); err != nil {
		t.Fatal(err)
	}
	content, err := second.Get(t.Context(), keys[0])
	if err != nil || blob.KeyOf(content) != keys[0] {
		t.Errorf("the object in the second store: %v", err)
	}
}

func TestTallyDoesNotDependOnOrderOrPieces(t *testing.T) {
	sum := func(pieces ...string) (string, int64) {
		var c tally
		for _, p := range pieces {
			_, _ = c.Write([]byte(p))
		}
		return c.sum(), c.rows
	}
	want, rows := sum("a\t1\nb\t2\n\nb\t2\n")
	if rows != 4 {
		t.Errorf("%d rows", rows)
	}
	for _, other := range [][]string{{"b\t2\n", "\n", "b\t2\na\t1\n"}, {"a", "\t1", "\nb\t2\n\nb", "\t2\n"}} {
		if got, _ := sum(other...); got != want {
			t.Errorf("%q: %s, want %s", other, got, want)
		}
	}
	for _, other := range []string{"a\t1\nb\t2\n\n", "a\t1\nb\t2\n\nb\t3\n", "a\t1\n\n", "a\t1\nb\t2\nb\t2\n"} {
		if got, _ := sum(other); got == want {
			t.Errorf("%q has the same sum", other)
		}
	}
}

// FuzzOpen holds that no file makes reading a backup panic.
func FuzzOpen(f *testing.F) {
	f.Add([]byte("PK\x05\x06\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		path := filepath.Join(t.TempDir(), "b.zip")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if a, err := Open(path); err == nil {
			_ = a.Check(t.Context(), func(Progress) {})
			_ = a.Close()
		}
	})
}
