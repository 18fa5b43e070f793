package main

import (
	"benchyard/jobs"
	"benchyard/jobs/postgres"
	"benchyard/jobs/webhook"
)

// clerkFlags are those of every command that hosts a clerk.
type clerkFlags struct {
	WebhookAllow []string `name:"webhook-allow" env:"BENCHYARD_WEBHOOK_ALLOW" sep:"none" placeholder:"NETWORK,…" help:"Networks or addresses that webhooks may lead to although they are not public, such as 10.20.0.0/16. Default: none."`
}

// clerk fires schedules, takes builds through their stages and sends messages.
func (f clerkFlags) clerk(p *program, db *postgres.Database) (*jobs.Clerk, error) {
	words, err := chosen("--webhook-allow", f.WebhookAllow)
	if err != nil {
		return nil, err
	}
	allow, err := webhook.ParseAllowed(words)
	if err != nil {
		return nil, &badInput{err}
	}
	return jobs.NewClerk(jobs.ClerkOptions{Pool: db.Pool, Logger: p.log, WebhookAllow: allow})
}
