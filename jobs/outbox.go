package jobs

import (
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Kinds of message that webhooks can ask for.
const (
	CampaignEndedMessage  = "benchyard.campaign.ended"
	RunEndedMessage       = "benchyard.run.ended"
	BenchAlarmMessage     = "benchyard.bench.alarm"
	BuildStageMessage     = "benchyard.build.stage"
	ScheduleFiringMessage = "benchyard.schedule.firing"
	TestMessage           = "benchyard.webhook.test" // only to the webhook that is tested
)

// MessageKinds returns every kind that a webhook can ask for.
func MessageKinds() []string {
	return []string{CampaignEndedMessage, RunEndedMessage, BenchAlarmMessage, BuildStageMessage, ScheduleFiringMessage}
}

// message is what webhooks are told of a change.
type message struct {
	kind    string
	subject string
	data    any // encoded as JSON
}

// deliverTo ends a statement whose "said" gives subject and data of messages of
// the kind $1: each becomes a message with a delivery to every webhook that
// wants it. Nothing is stored that nobody wants.
const deliverTo = `, wanted AS (
		SELECT id FROM webhook WHERE state = 'active' AND (types = '{}' OR $1 = ANY (types))
	), made AS (
		INSERT INTO webhook_message (type, lab, subject, data)
		SELECT $1, coalesce((SELECT name FROM lab_version ORDER BY id DESC LIMIT 1), ''), subject, data FROM said WHERE EXISTS (SELECT 1 FROM wanted)
		RETURNING id
	) INSERT INTO webhook_delivery (webhook_id, message_id) SELECT wanted.id, made.id FROM wanted, made`

const runEnded = `WITH said AS (
		SELECT 'runs/' || r.id AS subject, jsonb_build_object('run', r.id, 'campaign', c.id, 'campaign_name', c.name, 'serial', r.serial,
		       'unit_type', r.unit_type, 'build', c.build, 'bench', r.bench, 'attempt', r.attempt, 'state', r.state, 'verdict', r.verdict,
		       'error', r.error, 'simulated', c.simulated, 'started_at', r.started_at, 'finished_at', r.finished_at) AS data
		FROM run r JOIN campaign c ON c.id = r.campaign_id WHERE r.id = $2
	)` + deliverTo

// The transaction holds the lock of the events, so that of two runs that end at
// the same time the second sees the first.
const campaignEnded = `WITH said AS (
		SELECT 'campaigns/' || c.id AS subject, jsonb_build_object('campaign', c.id, 'name', c.name, 'plan', p.name, 'build', c.build,
		       'simulated', c.simulated, 'requested_by', c.requested_by, 'state', CASE WHEN c.cancelled_at IS NULL THEN 'done' ELSE 'cancelled' END,
		       'units', n.units, 'passed', n.passed, 'failed', n.failed, 'errors', n.errors, 'cancelled', n.cancelled) AS data
		FROM campaign c JOIN plan_version p ON p.id = c.plan_id
		CROSS JOIN LATERAL (
			SELECT count(*) AS units, count(*) FILTER (WHERE verdict IN ('pass', 'conditional pass')) AS passed,
			       count(*) FILTER (WHERE verdict IN ('fail', 'conditional fail')) AS failed,
			       count(*) FILTER (WHERE state = 'error') AS errors, count(*) FILTER (WHERE state = 'cancelled') AS cancelled
			FROM run r WHERE r.campaign_id = c.id AND NOT EXISTS (SELECT 1 FROM run later WHERE later.repeats = r.id)
		) n
		WHERE c.id = $2 AND NOT EXISTS (SELECT 1 FROM run r WHERE r.campaign_id = c.id AND r.state IN ('queued', 'active'))
	)` + deliverTo

// A bench that stays in alarm says so again and again: webhooks are reminded of
// the same alarm once an hour.
const alarmRaised = `WITH said AS (
		SELECT 'benches/' || b.name AS subject, jsonb_build_object('bench', b.name, 'alarm', $3::text) AS data FROM bench b WHERE b.name = $2
		AND NOT EXISTS (SELECT 1 FROM webhook_message m WHERE m.subject = 'benches/' || b.name AND m.type = $1
		                AND m.data->>'alarm' = $3 AND m.at > now() - interval '1 hour')
	)` + deliverTo

const anythingElse = `WITH said AS (SELECT $2::text AS subject, $3::jsonb AS data)` + deliverTo

// tellWebhooks adds what webhooks are told of changes to the transaction that
// makes them.
func tellWebhooks(batch *pgx.Batch, changes []change) {
	var campaigns []uuid.UUID
	for _, c := range changes {
		switch {
		case c.message != nil:
			batch.Queue(anythingElse, c.message.kind, c.message.subject, c.message.data)
		case c.kind == runEvent && c.body.State.Final():
			batch.Queue(runEnded, RunEndedMessage, c.run)
			if len(campaigns) == 0 || campaigns[len(campaigns)-1] != *c.campaign {
				campaigns = append(campaigns, *c.campaign)
			}
		case c.kind == benchEvent && c.body.Alarm != "":
			batch.Queue(alarmRaised, BenchAlarmMessage, c.bench, c.body.Alarm)
		}
	}
	for _, id := range campaigns {
		batch.Queue(campaignEnded, CampaignEndedMessage, id)
	}
}
