package jobs

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"benchyard/jobs/lab"
)

// BuildStatus is a build that was announced, with its stages.
type BuildStatus struct {
	ID          uuid.UUID
	Build       string
	Type        string
	Priority    int
	AnnouncedBy string
	AnnouncedAt time.Time
	State       string // active, passed or stopped
	EndedAt     *time.Time
	Stages      []BuildStage
}

// BuildStage is one stage of an announced build.
type BuildStage struct {
	Number    int        `json:"number"`
	Name      string     `json:"name"`
	Plan      string     `json:"plan"`
	State     string     `json:"state"`  // waiting, active, passed, failed or not started
	Reason    string     `json:"reason"` // why it failed or was not started
	Campaign  *uuid.UUID `json:"campaign"`
	StartedAt *time.Time `json:"started_at"`
	EndedAt   *time.Time `json:"ended_at"`

	Document string `json:"document"` // of the plan
}

func builds(ctx context.Context, db DB, where string, args ...any) ([]BuildStatus, error) {
	rows, err := db.Query(ctx, `
		SELECT a.id, a.build, a.unit_type, a.priority, a.announced_by, a.announced_at, a.state, a.ended_at,
		       (SELECT jsonb_agg(jsonb_build_object('number', s.number, 'name', s.name, 'plan', p.name, 'state', s.state, 'reason', s.reason,
		               'campaign', s.campaign_id, 'started_at', s.started_at, 'ended_at', s.ended_at, 'document', p.document) ORDER BY s.number)
		        FROM announcement_stage s JOIN plan_version p ON p.id = s.plan_id WHERE s.announcement_id = a.id)
		FROM announcement a WHERE `+where, args...)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading builds: %w", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[BuildStatus])
	if err != nil {
		return nil, fmt.Errorf("jobs: reading builds: %w", err)
	}
	return found, nil
}

// Builds returns the builds that were announced last, newest first.
func Builds(ctx context.Context, db DB, limit int) ([]BuildStatus, error) {
	return builds(ctx, db, `true ORDER BY a.announced_at DESC, a.id DESC LIMIT $1`, limit)
}

// BuildByID returns one announced build, or ErrNotFound.
func BuildByID(ctx context.Context, db DB, id uuid.UUID) (BuildStatus, error) {
	found, err := builds(ctx, db, `a.id = $1`, id)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("jobs: announced build %s: %w", id, ErrNotFound)
	}
	if err != nil {
		return BuildStatus{}, err
	}
	return found[0], nil
}

// active returns the stage in work; nil when there is none.
func (b *BuildStatus) active() *BuildStage {
	for i := range b.Stages {
		if b.Stages[i].State == "active" {
			return &b.Stages[i]
		}
	}
	return nil
}

// advanceBuilds looks at the stages in work: one that passed starts the next,
// any other end stops the build with its reason.
func (c *Clerk) advanceBuilds(ctx context.Context) error {
	ended, err := builds(ctx, c.pool, `a.state = 'active' AND EXISTS (
		SELECT 1 FROM announcement_stage s WHERE s.announcement_id = a.id AND s.state = 'active'
		AND NOT EXISTS (SELECT 1 FROM run r WHERE r.campaign_id = s.campaign_id AND r.state IN ('queued', 'active'))) ORDER BY a.id`)
	if err != nil {
		return err
	}
	var all []error
	for _, b := range ended {
		if err := c.advance(ctx, b); err != nil {
			all = append(all, fmt.Errorf("jobs: build %s for %s: %w", b.Build, b.Type, err))
		}
	}
	return errors.Join(all...)
}

func (c *Clerk) advance(ctx context.Context, b BuildStatus) error {
	stage := b.active()
	if stage == nil || stage.Campaign == nil {
		return nil
	}
	campaign, err := CampaignByID(ctx, c.pool, *stage.Campaign)
	if err != nil {
		return err
	}
	runs, err := RunsOf(ctx, c.pool, campaign.ID)
	if err != nil {
		return err
	}
	step := buildStep{build: b, ended: stage, reason: shortfall(campaign, runs)}
	if step.reason == "" && stage.Number < len(b.Stages) {
		step.next = &b.Stages[stage.Number]
		if err := step.draft(ctx, c.pool, runs); err != nil {
			return err
		}
	}
	done := false
	err = transact(ctx, c.pool, func(tx pgx.Tx) error {
		done, err = step.store(ctx, tx)
		return err
	})
	if err == nil && done {
		c.log.InfoContext(ctx, "a stage of a build ended", "build", b.Build, "type", b.Type, "stage", stage.Name, "reason", step.reason, "stopped", step.refused)
	}
	return err
}

// shortfall is why a campaign is not good enough to go on; empty: it is.
func shortfall(c CampaignSummary, runs []RunSummary) string {
	if c.State == Cancelled {
		return "its campaign was cancelled by " + c.CancelledBy
	}
	var bad []string
	for _, r := range runs {
		if r.RepeatedBy == nil && r.Verdict != "pass" && r.Verdict != "conditional pass" {
			bad = append(bad, fmt.Sprintf("%s %s", r.Serial, r.Verdict))
		}
	}
	const named = 5
	more := ""
	if len(bad) > named {
		more = fmt.Sprintf(" and %d more", len(bad)-named)
		bad = bad[:named]
	}
	if len(bad) == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %d units passed: %s%s", c.Passed, c.Units, strings.Join(bad, ", "), more)
}

// buildStep is the end of one stage and what follows from it.
type buildStep struct {
	build   BuildStatus
	ended   *BuildStage
	reason  string // why the stage failed; empty: it passed
	next    *BuildStage
	order   *order // of the next stage
	refused string // why the next stage cannot be started; empty: it can
}

// draft prepares the next stage for the units that passed.
func (s *buildStep) draft(ctx context.Context, db DB, runs []RunSummary) error {
	a := Announcement{Build: s.build.Build, Type: s.build.Type, By: s.build.AnnouncedBy, Priority: s.build.Priority}
	var serials []string
	for _, r := range runs {
		if r.RepeatedBy == nil {
			serials = append(serials, r.Serial)
		}
	}
	o, err := draft(ctx, db, a.submission(stage{name: s.next.Name, document: s.next.Document}, serials))
	var refused *RefusedError
	if errors.As(err, &refused) || errors.Is(err, lab.ErrNoLab) {
		s.refused = err.Error()
		return nil
	}
	s.order = o
	return err
}

// store writes the step; false when another process was quicker.
func (s *buildStep) store(ctx context.Context, tx pgx.Tx) (bool, error) {
	b, state, ends := s.build, "passed", "passed"
	if s.reason != "" {
		state, ends = "failed", "stopped"
	}
	tag, err := tx.Exec(ctx, `UPDATE announcement_stage SET state = $3, reason = $4, ended_at = now() WHERE announcement_id = $1 AND number = $2 AND state = 'active'`,
		b.ID, s.ended.Number, state, s.reason)
	if err != nil || tag.RowsAffected() == 0 {
		return false, err
	}
	changes := []change{stageChange(b.ID, b.Build, b.Type, s.ended.Name, state, s.reason, s.ended.Campaign)}
	if s.order != nil {
		queued, err := s.order.insert(ctx, tx)
		if err != nil {
			return false, err
		}
		_, err = tx.Exec(ctx, `UPDATE announcement_stage SET state = 'active', started_at = now(), campaign_id = $3 WHERE announcement_id = $1 AND number = $2`,
			b.ID, s.next.Number, s.order.id)
		if err != nil {
			return false, err
		}
		changes = append(changes, queued, stageChange(b.ID, b.Build, b.Type, s.next.Name, "active", "", &s.order.id))
		return true, emit(ctx, tx, changes...)
	}
	why := s.refused
	if why == "" && s.reason != "" {
		why = "the " + s.ended.Name + " stage failed: " + s.reason
	}
	if why != "" {
		ends = "stopped"
	}
	for _, later := range b.Stages[s.ended.Number:] {
		_, err := tx.Exec(ctx, `UPDATE announcement_stage SET state = 'not started', reason = $3, ended_at = now() WHERE announcement_id = $1 AND number = $2`, b.ID, later.Number, why)
		if err != nil {
			return false, err
		}
		changes = append(changes, stageChange(b.ID, b.Build, b.Type, later.Name, "not started", why, nil))
	}
	if _, err := tx.Exec(ctx, `UPDATE announcement SET state = $2, ended_at = now() WHERE id = $1`, b.ID, ends); err != nil {
		return false, err
	}
	return true, emit(ctx, tx, changes...)
}
