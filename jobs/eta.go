package jobs

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Forecast says when the queue will be done.
type Forecast struct {
	Remaining time.Duration // until the last bench is idle; zero when nothing waits
	Runs      int           // runs that are queued or active
	// Measured is true when the pace of finished segments went into the
	// figures, false when they rest on the nominal times of the plans alone.
	Measured  bool
	Benches   map[string]time.Duration    // until the bench is idle
	Campaigns map[uuid.UUID]time.Duration // until the campaign is done
}

// ETA forecasts the queue: each bench works through its runs one after the
// other in queue order, each taking its nominal time, less the cases already
// stored, at the pace of the last 200 segments measured. Holds and alarms are
// not in the forecast: nobody knows how long they last.
func ETA(ctx context.Context, db DB) (Forecast, error) {
	f := Forecast{Benches: map[string]time.Duration{}, Campaigns: map[uuid.UUID]time.Duration{}}
	rows, err := db.Query(ctx, `
		WITH recent AS (
			SELECT extract(epoch FROM s.finished_at - s.started_at)::float8 AS took,
			       r.estimate_s * s.cases / nullif(r.cases, 0) AS nominal
			FROM run_segment s JOIN run r ON r.id = s.run_id
			WHERE s.state = 'done' AND s.started_at IS NOT NULL
			ORDER BY s.finished_at DESC LIMIT 200
		), pace AS (
			SELECT sum(took) / nullif(sum(nominal), 0) AS factor FROM recent
		), open AS (
			SELECT r.campaign_id, coalesce(r.bench, '') AS bench, r.state, r.queued_at, r.id, c.priority,
			       r.estimate_s * coalesce(p.factor, 1) * greatest(0, 1 -
			           (SELECT count(*) FROM measured_case m WHERE m.run_id = r.id AND m.last)::float8 / nullif(r.cases, 0)) AS left_s
			FROM run r JOIN campaign c ON c.id = r.campaign_id CROSS JOIN pace p
			WHERE r.state IN ('queued', 'active')
		)
		SELECT campaign_id, bench, (SELECT factor IS NOT NULL FROM pace),
		       sum(coalesce(left_s, 0)) OVER (PARTITION BY bench ORDER BY (state = 'active') DESC, priority, queued_at, id)
		FROM open`)
	if err != nil {
		return f, fmt.Errorf("jobs: forecasting the queue: %w", err)
	}
	var (
		campaign uuid.UUID
		bench    string
		seconds  float64
	)
	_, err = pgx.ForEachRow(rows, []any{&campaign, &bench, &f.Measured, &seconds}, func() error {
		until := time.Duration(seconds * float64(time.Second))
		f.Runs++
		f.Remaining = max(f.Remaining, until)
		f.Benches[bench] = max(f.Benches[bench], until)
		f.Campaigns[campaign] = max(f.Campaigns[campaign], until)
		return nil
	})
	if err != nil {
		return f, fmt.Errorf("jobs: forecasting the queue: %w", err)
	}
	return f, nil
}
