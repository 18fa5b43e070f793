package jobs

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// SettleRestored makes rows that came out of a backup fit for work, in the
// transaction that brings them. Leases have run out, but keep their tokens,
// which must never start again, and a holder, so that the next one waits: an
// agent of the first database may still be inside its lease. Runs that were at
// work stay active: whoever takes their bench drives it to its safe state and
// issues the ticket that they need. Tickets themselves are not restored.
func SettleRestored(ctx context.Context, tx pgx.Tx) error {
	for _, sql := range []string{
		`UPDATE bench_lease SET holder = 'nobody since the restore', expires_at = now()`,
		`UPDATE bench SET activity = 'offline', doing = '', updated_at = now()`,
	} {
		if _, err := tx.Exec(ctx, sql); err != nil {
			return fmt.Errorf("jobs: settling what was restored: %w", err)
		}
	}
	return nil
}
