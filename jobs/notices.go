package jobs

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Notice is something that went on by itself and did not go well: a person
// should look at it.
type Notice struct {
	About string // schedule, build or webhook
	ID    uuid.UUID
	Name  string // of the schedule or build; the address of a webhook
	Text  string // what happened
}

// noticed bounds the notices that are returned.
const noticed = 20

// Notices returns schedules that did not fire when they were last due, builds
// that were stopped and webhooks that messages do not reach, of the last day.
func Notices(ctx context.Context, db DB) ([]Notice, error) {
	rows, err := db.Query(ctx, `
		SELECT 'schedule', s.id, s.name, f.outcome || ': ' || f.reason FROM schedule s
		CROSS JOIN LATERAL (SELECT * FROM schedule_firing WHERE schedule_id = s.id ORDER BY due_at DESC LIMIT 1) f
		WHERE s.state = 'active' AND f.outcome IN ('skipped', 'refused', 'missed') AND f.at > now() - interval '1 day'
		UNION ALL
		SELECT 'build', a.id, a.build || ' for ' || a.unit_type, 'stopped: ' || s.reason FROM announcement a
		CROSS JOIN LATERAL (SELECT reason FROM announcement_stage WHERE announcement_id = a.id AND reason <> '' ORDER BY number LIMIT 1) s
		WHERE a.state = 'stopped' AND a.ended_at > now() - interval '1 day'
		AND NOT EXISTS (SELECT 1 FROM announcement later WHERE later.build = a.build AND later.unit_type = a.unit_type AND later.announced_at > a.announced_at)
		UNION ALL
		SELECT 'webhook', w.id, w.url, CASE WHEN w.state = 'disabled' THEN 'disabled: ' || w.reason ELSE 'the last attempt failed: ' || d.last_error END
		FROM webhook w LEFT JOIN LATERAL (SELECT last_error FROM webhook_delivery WHERE webhook_id = w.id AND last_at > now() - interval '1 day' ORDER BY last_at DESC LIMIT 1) d ON true
		WHERE w.state = 'disabled' OR w.state = 'active' AND d.last_error <> ''
		ORDER BY 1, 3, 2 LIMIT $1`, noticed)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading notices: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Notice])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading notices: %w", err)
	}
	return found, nil
}
