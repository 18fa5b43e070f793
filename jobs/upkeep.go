package jobs

import (
	"context"
	"time"

	"benchyard/jobs/retention"
)

// firstUpkeep is how soon after its start an agent looks after old evidence for
// the first time: agents that are started often shall come to it too.
const firstUpkeep = time.Minute

// followUpkeep gives up old evidence as the policy of the lab has it. Whichever
// agent comes first does it, the others find nothing left.
func (a *Agent) followUpkeep(ctx context.Context) {
	worker := retention.Worker{Pool: a.Pool, Blobs: a.Blobs}
	pause(ctx, nil, min(firstUpkeep, a.Timings.Upkeep))
	for ctx.Err() == nil {
		done, err := worker.Round(ctx)
		if err != nil && ctx.Err() == nil {
			a.log.WarnContext(ctx, "old evidence was not looked after", "error", err)
		}
		for _, m := range done.Amounts {
			if m.Pieces > 0 {
				a.log.InfoContext(ctx, "old evidence", "what", m.What, "runs", m.Runs, "pieces", m.Pieces, "bytes", m.Bytes)
			}
		}
		if n := done.Swept.Orphans + done.Swept.Strays; n > 0 {
			a.log.InfoContext(ctx, "objects that nothing named", "objects", n, "bytes", done.Swept.Bytes)
		}
		pause(ctx, nil, a.Timings.Upkeep)
	}
}
