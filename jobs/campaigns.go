package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// ErrNotFound is returned for a campaign, run or bench that does not exist.
var ErrNotFound = errors.New("not found")

// CampaignSummary is one line of the list of campaigns. The counts look at the
// newest attempt of every unit.
type CampaignSummary struct {
	ID          uuid.UUID
	Name        string
	Plan        string // name of the plan
	PlanHash    string
	Lab         string // name of the lab
	LabVersion  int64
	Build       string
	Simulated   bool
	LimitSet    string
	Priority    int        // smaller goes first; ClassOf tells the class
	Deadline    *time.Time // nil: none
	RequestedBy string
	SubmittedAt time.Time
	CancelledBy string
	CancelledAt *time.Time
	FinishedAt  *time.Time // when the last run ended; nil while one is open
	State       State      // queued, active, done or cancelled

	Units      int
	Queued     int
	Active     int
	Done       int // runs measured to their end
	Errors     int // runs that ended in state error
	Cancelled  int
	Passed     int // by verdict: pass and conditional pass
	Failed     int // by verdict: fail and conditional fail
	CasesDone  int
	CasesTotal int
}

const campaignQuery = `
	SELECT c.id, c.name, p.name, p.content_hash, l.name, l.id, c.build, c.simulated, c.limit_set, c.priority, c.deadline,
	       c.requested_by, c.submitted_at, coalesce(c.cancelled_by, ''), c.cancelled_at,
	       CASE WHEN n.queued + n.active = 0 THEN n.finished_at END,
	       CASE WHEN c.cancelled_at IS NOT NULL THEN 'cancelled'
	            WHEN n.queued + n.active = 0 THEN 'done'
	            WHEN n.queued = n.units THEN 'queued'
	            ELSE 'active' END,
	       n.units, n.queued, n.active, n.done, n.errors, n.cancelled, n.passed, n.failed, n.cases_done, n.cases
	FROM campaign c
	JOIN plan_version p ON p.id = c.plan_id
	JOIN lab_version l ON l.id = c.lab_id
	CROSS JOIN LATERAL (
		SELECT count(*) AS units,
		       count(*) FILTER (WHERE state = 'queued') AS queued,
		       count(*) FILTER (WHERE state = 'active') AS active,
		       count(*) FILTER (WHERE state = 'done') AS done,
		       count(*) FILTER (WHERE state = 'error') AS errors,
		       count(*) FILTER (WHERE state = 'cancelled') AS cancelled,
		       count(*) FILTER (WHERE verdict IN ('pass', 'conditional pass')) AS passed,
		       count(*) FILTER (WHERE verdict IN ('fail', 'conditional fail')) AS failed,
		       coalesce(sum((SELECT count(*) FROM measured_case m WHERE m.run_id = r.id AND m.last)), 0)::bigint AS cases_done,
		       coalesce(sum(cases), 0) AS cases,
		       max(finished_at) AS finished_at
		FROM run r
		WHERE r.campaign_id = c.id AND NOT EXISTS (SELECT 1 FROM run later WHERE later.repeats = r.id)
	) n
	WHERE $1::uuid IS NULL OR c.id = $1
	ORDER BY c.submitted_at DESC, c.id DESC`

// Campaigns returns every campaign, newest first.
func Campaigns(ctx context.Context, db DB) ([]CampaignSummary, error) {
	return campaigns(ctx, db, nil)
}

// CampaignByID returns one campaign, or ErrNotFound.
func CampaignByID(ctx context.Context, db DB, id uuid.UUID) (CampaignSummary, error) {
	found, err := campaigns(ctx, db, &id)
	if err != nil {
		return CampaignSummary{}, err
	}
	if len(found) == 0 {
		return CampaignSummary{}, fmt.Errorf("jobs: campaign %s: %w", id, ErrNotFound)
	}
	return found[0], nil
}

func campaigns(ctx context.Context, db DB, id *uuid.UUID) ([]CampaignSummary, error) {
	rows, err := db.Query(ctx, campaignQuery, id)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading campaigns: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[CampaignSummary])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading campaigns: %w", err)
	}
	return found, nil
}
