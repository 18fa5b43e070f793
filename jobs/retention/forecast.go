package retention

import (
	"context"
	"fmt"
)

// counted are the pieces that each rule would give up of a run r.
func counted(what string) string {
	const traces = `SELECT count(*) AS pieces, coalesce(sum(coalesce(length(t.levels), t.blob_size)), 0) AS bytes
		FROM measured_case c JOIN trace t ON t.case_id = c.id WHERE c.run_id = r.id AND `
	const passed = `c.verdict IN ('pass', 'conditional pass')`
	switch what {
	case Moved:
		return traces + `t.levels IS NOT NULL`
	case PassedTraces:
		return traces + passed + ` AND (t.levels IS NOT NULL OR t.blob IS NOT NULL)`
	case OtherTraces:
		return traces + `NOT ` + passed + ` AND (t.levels IS NOT NULL OR t.blob IS NOT NULL)`
	}
	return `SELECT count(*) AS pieces, coalesce(sum(coalesce(length(s.body), b.stored)), 0) AS bytes
		FROM transcript s LEFT JOIN blob b ON b.key = s.blob WHERE s.run_id = r.id AND (s.body IS NOT NULL OR s.blob IS NOT NULL)`
}

// Forecast returns what a round would do now, without doing it: the table
// behind --dry-run.
func (w Worker) Forecast(ctx context.Context) ([]Amount, string, error) {
	policy, text, err := w.policy(ctx)
	if err != nil {
		return nil, "", err
	}
	var list []Amount
	for _, k := range rules(policy) {
		a := Amount{What: k.what, Days: k.days}
		err := w.Pool.QueryRow(ctx, `SELECT count(*), coalesce(sum(n.pieces), 0)::bigint, coalesce(sum(n.bytes), 0)::bigint, min(ended)
			FROM (SELECT r.finished_at AS ended, n.* FROM (SELECT r.*`+due+notHeld+`) r CROSS JOIN LATERAL (`+counted(k.what)+`) n) n`,
			k.days, k.what, k.golden).Scan(&a.Runs, &a.Pieces, &a.Bytes, &a.Oldest)
		if err == nil {
			err = w.Pool.QueryRow(ctx, `SELECT count(*) - $4`+due, k.days, k.what, k.golden, a.Runs).Scan(&a.Held)
		}
		if err != nil {
			return nil, "", fmt.Errorf("retention: %s: %w", k.what, err)
		}
		list = append(list, a)
	}
	events := Amount{What: Events, Days: eventDays(policy)}
	err = w.Pool.QueryRow(ctx, `SELECT count(*), min(at) FROM event WHERE at < now() - $1 * interval '1 day' AND id < (SELECT max(id) FROM event)`, events.Days).
		Scan(&events.Pieces, &events.Oldest)
	if err != nil {
		return nil, "", fmt.Errorf("retention: events: %w", err)
	}
	return append(list, events), text, nil
}
