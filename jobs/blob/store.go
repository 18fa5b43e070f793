package blob

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"gocloud.dev/gcerrors"
)

// markPath is the object with the identity of the store.
const markPath = "benchyard-store"

// Locks of the database, any fixed numbers: bindLock while a store is made,
// QuietLock while objects must not go, shared by those who read them all.
const (
	bindLock  = 0x626c6f62 // "blob"
	QuietLock = bindLock + 1
)

// ErrOther tells that folder or bucket belong to another database.
var ErrOther = errors.New("it belongs to another database")

// Place says where the store of a database is.
type Place struct {
	Address string // as OpenBucket takes it; empty: a folder of its own below DataDir
	DataDir string // of the program; only used without an address
}

// errNone tells that a program was started without a store.
var errNone = errors.New("blob: this program has no store of evidence; name it with --blobs")

// Store is the store of one database. It is opened at its first use, and made
// at its first Put. It is safe for concurrent use. Of a nil Store every use is
// an error that says so.
type Store struct {
	pool  *pgxpool.Pool
	place Place

	mu     sync.Mutex
	bucket *Bucket // nil: not opened yet
}

// NewStore prepares the store of the database; nothing is opened yet.
func NewStore(pool *pgxpool.Pool, place Place) *Store { return &Store{pool: pool, place: place} }

// Close ends the use of the store.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bucket == nil {
		return nil
	}
	return s.bucket.Close()
}

// Put stores a content and returns its key. It is on the disk, or confirmed by
// the service, when Put returns; the caller then has Grace to store a row that
// names the key.
func (s *Store) Put(ctx context.Context, content []byte) (Key, error) {
	b, err := s.open(ctx, true)
	if err != nil {
		return "", err
	}
	packed, err := b.pack(content)
	if err != nil {
		return "", err
	}
	key := KeyOf(content)
	// First the row: it keeps Sweep from an object that is about to be named.
	_, err = s.pool.Exec(ctx, `INSERT INTO blob (key, size, stored) VALUES ($1, $2, $3)
		ON CONFLICT (key) DO UPDATE SET used_at = now(), stored = excluded.stored`, key, len(content), len(packed))
	if err != nil {
		return "", fmt.Errorf("blob: entering object %s: %w", key, err)
	}
	return key, b.write(ctx, key, packed)
}

// Get returns the content of an object. A *DamagedError tells that it is
// missing or not what it was.
func (s *Store) Get(ctx context.Context, key Key) ([]byte, error) {
	b, err := s.open(ctx, false)
	if err != nil {
		return nil, err
	}
	return b.Read(ctx, key)
}

// Import stores an object that Packed returned elsewhere, after checking it. Its
// row of the catalogue is the caller's.
func (s *Store) Import(ctx context.Context, key Key, packed []byte) error {
	b, err := s.open(ctx, true)
	if err != nil {
		return err
	}
	if _, err := b.unpack(key, packed); err != nil {
		return err
	}
	return b.write(ctx, key, packed)
}

// Packed is Get without unpacking, for copies; what it returns was checked.
func (s *Store) Packed(ctx context.Context, key Key) ([]byte, error) {
	b, err := s.open(ctx, false)
	if err != nil {
		return nil, err
	}
	packed, err := b.readPacked(ctx, key)
	if err == nil {
		_, err = b.unpack(key, packed)
	}
	return packed, err
}

// open returns the bucket of the database. With make it makes a store where
// there is none.
func (s *Store) open(ctx context.Context, make bool) (*Bucket, error) {
	if s == nil {
		return nil, errNone
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bucket != nil {
		return s.bucket, nil
	}
	id, address, err := s.known(ctx, s.pool)
	if errors.Is(err, pgx.ErrNoRows) && make {
		id, address, err = s.make(ctx)
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, errors.New("blob: the database has no store of evidence yet")
	}
	if err != nil {
		return nil, err
	}
	b, err := OpenBucket(ctx, s.place.address(id))
	if err != nil {
		return nil, err
	}
	mark, err := b.mark(ctx)
	switch {
	case err != nil:
	case mark == "":
		err = fmt.Errorf("blob: %s holds nothing of this database, whose store was made at %s; name that one with --blobs, or put its files there", b.name, address)
	case mark != id.String():
		err = fmt.Errorf("blob: %s: %w; the store of this one was made at %s; name that with --blobs", b.name, ErrOther, address)
	}
	if err != nil {
		return nil, errors.Join(err, b.Close())
	}
	s.bucket = b
	return b, nil
}

// querier is a pool or a transaction.
type querier interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

func (s *Store) known(ctx context.Context, db querier) (id uuid.UUID, address string, err error) {
	err = db.QueryRow(ctx, `SELECT id, address FROM blob_store`).Scan(&id, &address)
	if err != nil {
		err = fmt.Errorf("blob: asking for the store of the database: %w", err)
	}
	return id, address, err
}

// make marks a bucket as the store of this database, one program at a time.
func (s *Store) make(ctx context.Context) (id uuid.UUID, address string, err error) {
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, int64(bindLock)); err != nil {
			return err
		}
		if id, address, err = s.known(ctx, tx); !errors.Is(err, pgx.ErrNoRows) {
			return err // another program was faster
		}
		if id, err = uuid.NewV7(); err != nil {
			return err
		}
		b, err := OpenBucket(ctx, s.place.address(id))
		if err != nil {
			return err
		}
		address = b.name
		return errors.Join(s.bind(ctx, tx, b, id), b.Close())
	})
	if err != nil {
		return id, address, fmt.Errorf("blob: making the store of the database: %w", err)
	}
	return id, address, nil
}

// bind writes the identity into the bucket and the database. A bucket with a
// mark is another database's, even if nothing but the mark is there.
func (s *Store) bind(ctx context.Context, tx pgx.Tx, b *Bucket, id uuid.UUID) error {
	mark, err := b.mark(ctx)
	if err != nil {
		return err
	}
	if mark != "" {
		return fmt.Errorf("blob: %s: %w; choose an empty folder or another prefix with --blobs", b.name, ErrOther)
	}
	if err := b.put(ctx, markPath, []byte(id.String()+"\n")); err != nil {
		return fmt.Errorf("blob: %s cannot be written: %w", b.name, err)
	}
	_, err = tx.Exec(ctx, `INSERT INTO blob_store (id, address) VALUES ($1, $2)`, id, b.name)
	return err
}

// mark returns the identity in the bucket; empty: it has none.
func (b *Bucket) mark(ctx context.Context) (string, error) {
	text, err := b.bucket.ReadAll(ctx, markPath)
	if gcerrors.Code(err) == gcerrors.NotFound {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("blob: looking into %s: %w", b.name, err)
	}
	return strings.TrimSpace(string(text)), nil
}

// address is that of the bucket for a store with this identity.
func (p Place) address(id uuid.UUID) string {
	if p.Address != "" {
		return p.Address
	}
	return filepath.Join(p.DataDir, "blobs", id.String())
}

// Validate refuses an address that cannot be one, without opening it.
func (p Place) Validate() error {
	scheme, _, isURL := strings.Cut(p.Address, "://")
	if !isURL {
		return nil
	}
	if u, err := url.Parse(p.Address); scheme != "s3" || err != nil || u.Host == "" || u.User != nil {
		return fmt.Errorf("blob: %q is no address of a store; want a folder or s3://bucket/prefix?endpoint=https://host, credentials in the environment", p.Address)
	}
	return nil
}

// Grace is how long an object may go without a row that names it. Whoever puts
// one stores its row within minutes.
const Grace = 24 * time.Hour
