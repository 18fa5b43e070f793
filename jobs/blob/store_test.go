package blob

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/postgres"
)

func storeAt(t *testing.T, pool *pgxpool.Pool, place Place) *Store {
	t.Helper()
	s := NewStore(pool, place)
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func put(t *testing.T, s *Store, content []byte) Key {
	t.Helper()
	key, err := s.Put(t.Context(), content)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func run(t *testing.T, pool *pgxpool.Pool, sql string, args ...any) {
	t.Helper()
	if _, err := pool.Exec(t.Context(), sql, args...); err != nil {
		t.Fatal(err)
	}
}

// name makes a transcript that names the object; the run behind it is the least
// that the schema allows.
func name(t *testing.T, pool *pgxpool.Pool, key Key) {
	t.Helper()
	run(t, pool, `
		WITH l AS (INSERT INTO lab_version (name, simulated, content_hash, document, applied_by) VALUES ('lab', true, $1, '', 'test') RETURNING id),
		p AS (INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ('plan', $1, '', 'test') RETURNING id),
		b AS (INSERT INTO build (name) VALUES ($1) RETURNING name),
		u AS (INSERT INTO radio_unit (serial, type, revision) VALUES ($1, 'type', 'A') RETURNING serial),
		c AS (INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by)
			SELECT gen_random_uuid(), 'campaign', p.id, l.id, b.name, true, 'set', 'test' FROM l, p, b RETURNING id),
		r AS (INSERT INTO run (id, campaign_id, serial, unit_type, cases) SELECT gen_random_uuid(), c.id, u.serial, 'type', 1 FROM c, u RETURNING id),
		s AS (INSERT INTO run_segment (run_id, number, title, cases) SELECT id, 1, 'first', 1 FROM r RETURNING run_id)
		INSERT INTO transcript (run_id, segment, attempt, blob) SELECT run_id, 1, 1, $1 FROM s`, string(key))
}

func TestStoreOverFolderAndS3(t *testing.T) {
	for _, where := range []string{"folder", "s3"} {
		t.Run(where, func(t *testing.T) {
			pool := postgres.Test(t)
			place := Place{DataDir: t.TempDir()}
			var peer *s3Peer
			if where == "s3" {
				peer, place.Address = startS3(t, 1<<20)
			}
			s := storeAt(t, pool, place)
			if _, err := s.Get(t.Context(), KeyOf(nil)); err == nil || !strings.Contains(err.Error(), "no store") {
				t.Errorf("before the first Put: %v", err)
			}
			named, orphan, young := put(t, s, noise(1, 40_000)), put(t, s, noise(2, 40_000)), put(t, s, noise(3, 40_000))
			if again := put(t, s, noise(1, 40_000)); again != named {
				t.Errorf("the same content has the keys %s and %s", named, again)
			}
			name(t, pool, named)
			run(t, pool, `UPDATE blob SET used_at = now() - interval '2 days' WHERE key <> $1`, string(young))
			swept, err := storeAt(t, pool, place).Sweep(t.Context(), Grace)
			if err != nil || swept.Orphans != 1 || swept.Strays != 0 || swept.Busy {
				t.Errorf("swept %+v (%v), want one orphan", swept, err)
			}
			for key, present := range map[Key]bool{named: true, young: true, orphan: false} {
				content, err := s.Get(t.Context(), key)
				if present != (err == nil) || present && KeyOf(content) != key {
					t.Errorf("%s after the sweep: %v, want there: %t", key, err, present)
				}
			}
			if back := put(t, s, noise(2, 40_000)); back != orphan {
				t.Errorf("what was swept came back as %s", back)
			}
			if content, err := s.Get(t.Context(), orphan); err != nil || !bytes.Equal(content, noise(2, 40_000)) {
				t.Errorf("put again after a sweep: %v", err)
			}
			if peer != nil {
				wantAll(t, peer)
			}
		})
	}
}

func wantAll(t *testing.T, peer *s3Peer) {
	t.Helper()
	for _, what := range []string{"put", "get", "head", "list", "delete"} {
		if peer.seen[what] == 0 {
			t.Errorf("the service was never asked to %s; it was asked %v", what, peer.seen)
		}
	}
	for key := range peer.objects {
		if !strings.HasPrefix(key, "lab-7/") {
			t.Errorf("the object %s lies outside the prefix", key)
		}
	}
}

func TestAFullServiceIsAnErrorAndLeavesNothing(t *testing.T) {
	pool := postgres.Test(t)
	peer, address := startS3(t, 50_000)
	s := storeAt(t, pool, Place{Address: address})
	put(t, s, noise(1, 40_000))
	_, err := s.Put(t.Context(), noise(2, 40_000))
	if err == nil || !strings.Contains(err.Error(), "room") {
		t.Errorf("a full service: %v", err)
	}
	if len(peer.objects) != 2 { // the mark and the first one
		t.Errorf("%d objects", len(peer.objects))
	}
}

func TestStraysGoAndYoungOnesStay(t *testing.T) {
	pool := postgres.Test(t)
	dir := t.TempDir()
	s := storeAt(t, pool, Place{Address: dir})
	put(t, s, noise(1, 100))
	long := time.Now().Add(-48 * time.Hour)
	for file, old := range map[string]bool{"ab/fileblob123": true, "ab/fileblob124": false, string(KeyOf([]byte("x")).path()): true} {
		path := filepath.Join(dir, file)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
		if old {
			if err := os.Chtimes(path, long, long); err != nil {
				t.Fatal(err)
			}
		}
	}
	swept, err := s.Sweep(t.Context(), Grace)
	if err != nil || swept.Strays != 2 || swept.Orphans != 0 || swept.Bytes != 8 {
		t.Errorf("swept %+v (%v), want two strays of four bytes", swept, err)
	}
	if files := filesIn(t, dir); len(files) != 3 { // mark, object, young stray
		t.Errorf("left: %v", files)
	}
}

func TestASweepWaitsForReaders(t *testing.T) {
	pool := postgres.Test(t)
	s := storeAt(t, pool, Place{Address: t.TempDir()})
	key := put(t, s, noise(1, 100))
	run(t, pool, `UPDATE blob SET used_at = now() - interval '2 days'`)
	release, err := s.Quiet(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if swept, err := s.Sweep(t.Context(), Grace); err != nil || !swept.Busy {
		t.Errorf("while all objects are read: %+v (%v)", swept, err)
	}
	release()
	if _, err := s.Get(t.Context(), key); err != nil {
		t.Error(err)
	}
	if swept, err := s.Sweep(t.Context(), Grace); err != nil || swept.Orphans != 1 {
		t.Errorf("afterwards: %+v (%v)", swept, err)
	}
}

// Objects that nobody has named for long are put again while others sweep them
// away: whatever Put returned is there.
func TestPutAndSweepTogether(t *testing.T) {
	pool := postgres.Test(t)
	s := storeAt(t, pool, Place{DataDir: t.TempDir()})
	for range 15 {
		for i := range 3 {
			put(t, s, noise(uint64(i), 2000))
		}
		run(t, pool, `UPDATE blob SET used_at = now() - interval '2 days'`)
		var work sync.WaitGroup
		for w := range 4 {
			work.Go(func() {
				if _, err := s.Sweep(t.Context(), Grace); err != nil {
					t.Error(err)
				}
			})
			work.Go(func() {
				key, err := s.Put(t.Context(), noise(uint64(w%3), 2000))
				if err == nil {
					_, err = s.Get(t.Context(), key)
				}
				if err != nil {
					t.Error(err)
				}
			})
		}
		work.Wait()
	}
}

func TestAStoreBelongsToOneDatabase(t *testing.T) {
	first, second := postgres.Test(t), postgres.Test(t)
	dir := t.TempDir()
	key := put(t, storeAt(t, first, Place{Address: dir}), []byte("evidence"))
	if _, err := storeAt(t, second, Place{Address: dir}).Put(t.Context(), []byte("x")); !errors.Is(err, ErrOther) {
		t.Errorf("another database on the same folder: %v", err)
	}
	// A program that looks in another place says where the right one is.
	_, err := storeAt(t, first, Place{Address: t.TempDir()}).Get(t.Context(), key)
	if err == nil || !strings.Contains(err.Error(), dir) || !strings.Contains(err.Error(), "--blobs") {
		t.Errorf("at the wrong place: %v", err)
	}
	put(t, storeAt(t, second, Place{Address: t.TempDir()}), []byte("x"))
	if _, err := storeAt(t, second, Place{Address: dir}).Put(t.Context(), []byte("y")); !errors.Is(err, ErrOther) {
		t.Errorf("with a store of its own: %v", err)
	}
}

func TestCheckFindsWhatIsDamaged(t *testing.T) {
	pool := postgres.Test(t)
	dir := t.TempDir()
	s := storeAt(t, pool, Place{Address: dir})
	good, bad, unnamed := put(t, s, noise(1, 1000)), put(t, s, noise(2, 1000)), put(t, s, noise(3, 1000))
	name(t, pool, good)
	name(t, pool, bad)
	for _, key := range []Key{bad, unnamed} {
		if err := os.Truncate(filepath.Join(dir, key.path()), 20); err != nil {
			t.Fatal(err)
		}
	}
	told := 0
	damaged, err := s.Check(t.Context(), func(done, all int) { told = done*10 + all })
	if err != nil || len(damaged) != 1 || damaged[0].Key != bad || told != 22 {
		t.Errorf("damaged %v (%v), told %d", damaged, err, told)
	}
}
