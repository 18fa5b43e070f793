package jobs

import (
	"context"
	"errors"
	"fmt"

	"benchyard/jobs/postgres"
)

// checkSchema holds the tables against those that this program knows. An agent does
// not start with others. One that is at work when a newer program migrates them goes on
// to the end of its runs, since migrations only add, and takes no new ones: it does
// not know what newer programs mean by them.
func (a *Agent) checkSchema(ctx context.Context) error {
	err := postgres.Validate(ctx, a.Pool)
	switch {
	case errors.Is(err, postgres.ErrNewerSchema):
		return fmt.Errorf("jobs: agent %s is of version %s, older than the database: stop it and start it from the new program: %w", a.Name, a.Version, err)
	case errors.Is(err, postgres.ErrOlderSchema):
		return fmt.Errorf("jobs: agent %s is of version %s, newer than the database: %w", a.Name, a.Version, err)
	case err != nil:
		return fmt.Errorf("jobs: agent %s: %w", a.Name, err)
	}
	return nil
}

// followSchema looks whether somebody has migrated the tables meanwhile.
func (a *Agent) followSchema(ctx context.Context) {
	err := a.checkSchema(ctx)
	if err != nil && !errors.Is(err, postgres.ErrNewerSchema) && !errors.Is(err, postgres.ErrOlderSchema) {
		return // the database does not answer; what was found before stands
	}
	why := ""
	if err != nil {
		why = err.Error()
	}
	a.mu.Lock()
	changed := a.outdated != why
	a.outdated = why
	a.mu.Unlock()
	if changed && why != "" {
		a.log.ErrorContext(ctx, "the agent takes no new runs", "cause", why)
		a.wakeAll()
	}
}

// whyOutdated returns why the agent takes no new runs, empty where it does.
func (a *Agent) whyOutdated() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.outdated
}

// restOutdated says on the board and on the queue why the bench takes no run; false
// where it does.
func (t *tenure) restOutdated(ctx context.Context) (bool, error) {
	why := t.agent.whyOutdated()
	if why == "" {
		return false, nil
	}
	if !t.toldOutdated {
		t.setActivity(ctx, Idle, why, nil)
		t.toldOutdated = true
	}
	return true, t.block(ctx, why)
}
