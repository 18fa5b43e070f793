package jobs

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// BenchStatus is one line of the bench board.
type BenchStatus struct {
	Name      string
	Hold      string // why a person, or its golden unit, keeps the bench from new runs; empty: free to work
	Activity  Activity
	Doing     string // one line for people
	Alarm     string // what could not be confirmed; empty: none
	UpdatedAt time.Time

	Holder string // agent that holds the lease; empty: none
	Token  int64  // lease token, 0 before the first holder
	Drains bool   // the holder stops: it begins nothing new
	Queued int    // runs that wait for this bench
	// Takeovers counts how often within the last hour its lease was taken over from
	// a holder that was lost. From scheduler.Flapping on it gets less work.
	Takeovers int
	// PathsOff are the paths that may be off their connectors ("slot 1 connector 2",
	// joined by commas): ReleaseBench asks for a word about them. Empty: none.
	PathsOff string

	Run        *uuid.UUID // active run, nil when there is none; the fields below are empty then
	Campaign   *uuid.UUID
	Title      string // campaign name
	Serial     string
	UnitType   string
	Build      string
	Simulated  bool
	CasesDone  int
	CasesTotal int
	StartedAt  *time.Time
}

// Benches returns every bench ever applied, by name. A bench whose lease has
// run out is offline, whatever its last holder wrote.
func Benches(ctx context.Context, db DB) ([]BenchStatus, error) {
	rows, err := db.Query(ctx, `
		SELECT b.name, coalesce(b.hold_reason, ''),
		       CASE WHEN l.live THEN b.activity ELSE 'offline' END,
		       CASE WHEN l.live THEN b.doing ELSE '' END, coalesce(b.alarm, ''), b.updated_at,
		       CASE WHEN l.live THEN l.holder ELSE '' END, coalesce(l.token, 0), coalesce(l.live AND l.draining, false),
		       (SELECT count(*) FROM run q WHERE q.bench = b.name AND q.state = 'queued'),
		       (SELECT count(*) FROM bench_takeover o WHERE o.bench = b.name AND o.abandoned AND o.at > now() - interval '1 hour'),
		       coalesce((SELECT string_agg(DISTINCT format('slot %s connector %s', p.slot, p.connector), ', ')
		                 FROM path_task p WHERE p.bench = b.name AND p.displaced AND p.state <> 'active'), ''),
		       r.id, c.id, coalesce(c.name, ''), coalesce(r.serial, ''), coalesce(r.unit_type, ''),
		       coalesce(c.build, ''), coalesce(c.simulated, false),
		       (SELECT count(*) FROM measured_case m WHERE m.run_id = r.id AND m.last), coalesce(r.cases, 0), r.started_at
		FROM bench b
		LEFT JOIN LATERAL (SELECT token, holder, draining, holder <> '' AND expires_at > now() AS live
		                   FROM bench_lease WHERE bench = b.name) l ON true
		LEFT JOIN run r ON r.bench = b.name AND r.state = 'active'
		LEFT JOIN campaign c ON c.id = r.campaign_id
		ORDER BY b.name`)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading benches: %w", err)
	}
	benches, err := pgx.CollectRows(rows, pgx.RowToStructByPos[BenchStatus])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading benches: %w", err)
	}
	return benches, nil
}
