package jobs

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/jobs/lab"

	"github.com/jackc/pgx/v5"
)

const (
	// Itself is who asks for what nobody asked for: the program.
	Itself = "benchyard"
	// GoldenPriority is that of a golden check that was due: after whatever people
	// queued, with the priority that a submission has by itself or a lower one.
	GoldenPriority = 1000
)

// checkDue queues the check by the golden unit when it is due and the bench has
// nothing to do: once, as it was measured last, by the plan and under the build of its
// newest run. A check that ended without a figure is tried again after the same time as
// one that did not, so that a broken bench is not busy with itself. The first check is
// for a person, who chooses the plan.
func (t *tenure) checkDue(ctx context.Context) error {
	l := t.agent.latestLab()
	b, ok := l.Bench(t.bench)
	if !ok || b.GoldenUnit == "" || b.GoldenEvery == 0 {
		return nil
	}
	last, err := t.lastGolden(ctx, b)
	if err != nil || last == nil || last.open || t.agent.Clock().Before(last.queued.Add(b.GoldenEvery)) {
		return err
	}
	o, err := draft(ctx, t.agent.Pool, Submission{
		Name: "Golden check of " + t.bench, PlanFile: "plan of the last golden check", PlanDocument: []byte(last.document),
		Serials: []string{b.GoldenUnit}, Build: last.build, By: Itself, Priority: GoldenPriority,
	})
	if refused := (*RefusedError)(nil); errors.As(err, &refused) {
		t.log.WarnContext(ctx, "the golden check is due and cannot be queued: queue it by hand", "problems", refused.Problems)
		return nil
	}
	if err != nil {
		return err
	}
	err = t.lease.fenced(ctx, func(tx pgx.Tx) error {
		queued, err := o.insert(ctx, tx)
		if err != nil {
			return err
		}
		return emit(ctx, tx, queued)
	})
	if err != nil {
		return fmt.Errorf("jobs: queueing the golden check of %s: %w", t.bench, err)
	}
	poke(t.wake)
	return nil
}

// goldenRun is the newest run of a golden unit on its bench.
type goldenRun struct {
	build    string
	document string
	queued   time.Time
	open     bool // queued or in work
}

// lastGolden returns the newest run of the bench's golden unit, nil for none. A run that
// somebody cancelled counts: it was not wanted now.
func (t *tenure) lastGolden(ctx context.Context, b lab.Bench) (*goldenRun, error) {
	var g goldenRun
	err := t.agent.Pool.QueryRow(ctx, `
		SELECT c.build, p.document, greatest(r.queued_at, r.finished_at), r.state IN ('queued', 'active')
		FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN plan_version p ON p.id = c.plan_id
		WHERE r.golden AND r.bench = $1 AND r.serial = $2
		ORDER BY r.state IN ('queued', 'active') DESC, r.queued_at DESC, r.id DESC LIMIT 1`, b.Name, b.GoldenUnit).
		Scan(&g.build, &g.document, &g.queued, &g.open)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("jobs: golden unit of bench %s: %w", b.Name, err)
	}
	return &g, nil
}
