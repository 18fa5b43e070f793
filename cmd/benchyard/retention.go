package main

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"benchyard/jobs/retention"
)

// retentionCommand does what the policy of the inventory asks for.
type retentionCommand struct {
	output
	DryRun bool `name:"dry-run" help:"Only say what would go."`
}

// Run gives up old evidence once, or says what would go. Agents do it by
// themselves every hour.
func (c *retentionCommand) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	blobs, err := p.blobs(db)
	if err != nil {
		return err
	}
	defer blobs.Close()
	worker := retention.Worker{Pool: db.Pool, Blobs: blobs}
	if c.DryRun {
		amounts, policy, err := worker.Forecast(ctx)
		if err != nil {
			return err
		}
		if policy != "" {
			fmt.Fprintln(p.stderr, oneLine(policy))
		}
		return c.print(p.stdout, amountTable(amounts))
	}
	done, err := worker.Round(ctx)
	if err != nil {
		return err
	}
	if done.Busy {
		return fmt.Errorf("another process is at it; nothing was done here")
	}
	if n := done.Swept.Orphans + done.Swept.Strays; n > 0 {
		fmt.Fprintf(p.stderr, "%d objects that nothing named are gone, %.1f MB\n", n, float64(done.Swept.Bytes)/1e6)
	}
	return c.print(p.stdout, amountTable(done.Amounts))
}

func amountTable(list []retention.Amount) *table {
	t := &table{header: []string{"what", "after days", "runs", "held", "pieces", "MB", "oldest"}, values: append([]retention.Amount{}, list...)}
	for _, a := range list {
		oldest := "–"
		if a.Oldest != nil {
			oldest = a.Oldest.UTC().Format(time.DateOnly)
		}
		t.add(a.What, strconv.Itoa(a.Days), strconv.Itoa(a.Runs), strconv.Itoa(a.Held), strconv.FormatInt(a.Pieces, 10),
			fmt.Sprintf("%.3f", float64(a.Bytes)/1e6), oldest)
	}
	return t
}
