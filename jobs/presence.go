package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchyard/jobs/postgres"

	"github.com/jackc/pgx/v5"
)

// AgentStatus is a program that drives benches, or that was refused.
type AgentStatus struct {
	Name      string    `json:"name"`
	Version   string    `json:"version"`
	Level     int64     `json:"level"` // newest migration that it knows
	StartedAt time.Time `json:"started_at"`
	SeenAt    time.Time `json:"seen_at"`
	Refused   string    `json:"refused"` // why it must not work; empty: it may
	Alive     bool      `json:"alive"`   // heard of within the last minute
}

// Between two signs of life of an agent; three that are missing make it gone.
const signOfLife = 15 * time.Second

// forgetAgents is how long an agent that is gone is remembered.
const forgetAgents = 7 * 24 * time.Hour

// Agents returns the programs that drive benches now or did within a week.
func Agents(ctx context.Context, db DB) ([]AgentStatus, error) {
	rows, err := db.Query(ctx, `SELECT name, version, level, started_at, seen_at, coalesce(refused, ''), refused IS NULL AND seen_at > now() - interval '1 minute'
		FROM agent ORDER BY refused IS NOT NULL, name`)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading agents: %w", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[AgentStatus])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading agents: %w", err)
	}
	return list, nil
}

// RefuseAgent writes on the board that a program may not drive benches on this
// database. A database that has no such board yet is left alone.
func RefuseAgent(ctx context.Context, db DB, name, version string, level int64, cause error) error {
	err := transact(ctx, db, func(tx pgx.Tx) error {
		var known bool
		if err := tx.QueryRow(ctx, `SELECT to_regclass('agent') IS NOT NULL`).Scan(&known); err != nil || !known {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO agent (name, version, level, refused) VALUES ($1, $2, $3, $4)
			ON CONFLICT (name) DO UPDATE SET version = excluded.version, level = excluded.level, refused = excluded.refused, seen_at = now()`,
			name, version, level, strings.ToValidUTF8(cause.Error(), "?"))
		if err != nil {
			return err
		}
		return emit(ctx, tx, change{kind: agentEvent, body: eventBody{Text: "refused: " + cause.Error(), By: name}})
	})
	if err != nil {
		return fmt.Errorf("jobs: entering that %s is refused: %w", name, err)
	}
	return nil
}

// appear enters the agent, or refuses it.
func (a *Agent) appear(ctx context.Context) error {
	err := postgres.MayWork(ctx, a.Pool, a.Level)
	if err == nil {
		_, err = a.Pool.Exec(ctx, `INSERT INTO agent (name, version, level) VALUES ($1, $2, $3)
			ON CONFLICT (name) DO UPDATE SET version = excluded.version, level = excluded.level, started_at = now(), seen_at = now(), refused = NULL`,
			a.Name, a.Version, a.Level)
	}
	if errors.Is(err, postgres.ErrBelowFloor) {
		err = errors.Join(err, RefuseAgent(ctx, a.Pool, a.Name, a.Version, a.Level, err))
	}
	if err != nil {
		return fmt.Errorf("jobs: agent %s: %w", a.Name, err)
	}
	return nil
}

// showLife says now and then that the agent is there, and looks whether it may
// go on: another program may have migrated the database beyond it.
func (a *Agent) showLife(ctx context.Context) {
	every := min(signOfLife, 4*a.Timings.Renew)
	for pause(ctx, nil, every); ctx.Err() == nil; pause(ctx, nil, every) {
		err := postgres.MayWork(ctx, a.Pool, a.Level)
		if errors.Is(err, postgres.ErrBelowFloor) {
			a.log.ErrorContext(ctx, "this program is too old for the database by now and stops", "error", err)
			if err := RefuseAgent(ctx, a.Pool, a.Name, a.Version, a.Level, err); err != nil {
				a.log.WarnContext(ctx, "the board was not written", "error", err)
			}
			a.fail(fmt.Errorf("jobs: agent %s: %w", a.Name, err))
			return
		}
		if err == nil {
			_, err = a.Pool.Exec(ctx, `WITH gone AS (DELETE FROM agent WHERE seen_at < now() - $2 * interval '1 second')
				UPDATE agent SET seen_at = now() WHERE name = $1`, a.Name, forgetAgents.Seconds())
		}
		if err != nil && ctx.Err() == nil {
			a.log.WarnContext(ctx, "no sign of life was given", "error", err)
		}
	}
}

// disappear removes an agent that has left its benches.
func (a *Agent) disappear(ctx context.Context) {
	if _, err := a.Pool.Exec(ctx, `DELETE FROM agent WHERE name = $1 AND refused IS NULL`, a.Name); err != nil {
		a.log.WarnContext(ctx, "the agent stays on the board until it is forgotten", "error", err)
	}
}

// fail reports that the agent cannot be trusted any more, see Failed.
func (a *Agent) fail(err error) {
	select {
	case a.failed <- err:
	default:
	}
}
