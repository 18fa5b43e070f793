package server

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs/lab"
)

// inventories keeps the versions of the inventory that pages have asked for. A
// version never changes, and reading a large one for every fragment of every
// page would cost more than the page.
type inventories struct {
	mu       sync.Mutex
	versions map[int64]*lab.Lab
}

// keptInventories bounds the memory; a lab rarely looks at more versions at once.
const keptInventories = 16

func newInventories() *inventories { return &inventories{versions: map[int64]*lab.Lab{}} }

func (v *inventories) version(ctx context.Context, pool *pgxpool.Pool, id int64) (*lab.Lab, error) {
	v.mu.Lock()
	found := v.versions[id]
	v.mu.Unlock()
	if found != nil {
		return found, nil
	}
	found, _, err := lab.Load(ctx, pool, id)
	if err != nil {
		return nil, err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if len(v.versions) >= keptInventories {
		clear(v.versions)
	}
	v.versions[id] = found
	return found, nil
}

// current returns the inventory in force, or nil when none was applied yet.
func (v *inventories) current(ctx context.Context, pool *pgxpool.Pool) (*lab.Lab, error) {
	var id int64
	err := pool.QueryRow(ctx, inForce).Scan(&id, new(bool))
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("server: inventory in force: %w", err)
	}
	return v.version(ctx, pool, id)
}

const inForce = "SELECT id, simulated FROM lab_version ORDER BY applied_at DESC, id DESC LIMIT 1"

// markTime is how long the page of an error waits for its mark: the database
// may be what the error is about.
const markTime = 2 * time.Second

// labSimulated marks pages that show no campaign. It must not fail, because the
// page that reports an error asks it too.
func (s *Server) labSimulated(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, markTime)
	defer cancel()
	var simulated bool
	err := s.pool.QueryRow(ctx, inForce).Scan(new(int64), &simulated)
	return err == nil && simulated
}
