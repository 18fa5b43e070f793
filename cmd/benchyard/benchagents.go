package main

import (
	"context"
	"strconv"
	"time"

	"benchyard/jobs"
)

type benchAgents struct {
	output
}

// Run prints the programs that drive benches.
func (c *benchAgents) Run(ctx context.Context, p *program) error {
	db, err := p.open(ctx)
	if err != nil {
		return err
	}
	defer db.Close()
	list, err := jobs.Agents(ctx, db.Pool)
	if err != nil {
		return err
	}
	t := &table{header: []string{"agent", "state", "program", "schema", "started", "last seen", "why"}, values: append([]jobs.AgentStatus{}, list...)}
	for _, a := range list {
		state := "gone"
		switch {
		case a.Refused != "":
			state = "REFUSED"
		case a.Alive:
			state = "at work"
		}
		t.add(a.Name, state, a.Version, strconv.FormatInt(a.Level, 10), a.StartedAt.UTC().Format(time.RFC3339), a.SeenAt.UTC().Format(time.RFC3339), a.Refused)
	}
	return c.print(p.stdout, t)
}
