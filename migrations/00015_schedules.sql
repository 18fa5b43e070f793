-- +goose Up
-- +goose StatementBegin

-- Campaigns that recur. Removed ones stay for their history.
CREATE TABLE schedule (
    id         uuid PRIMARY KEY,
    name       text NOT NULL CHECK (name <> ''),
    timetable  text NOT NULL,               -- five fields, see jobs/calendar
    zone       text NOT NULL,               -- name in the IANA database
    plan_id    bigint NOT NULL REFERENCES plan_version,
    serials    text[] NOT NULL DEFAULT '{}', -- units; with types and benches empty too: all that are mounted
    types      text[] NOT NULL DEFAULT '{}',
    benches    text[] NOT NULL DEFAULT '{}',
    build      text NOT NULL CHECK (build <> ''),
    priority   integer NOT NULL,
    overlap    text NOT NULL CHECK (overlap IN ('skip', 'queue')), -- while its last campaign has not ended
    catch_up_s double precision NOT NULL CHECK (catch_up_s >= 0),  -- a firing may be so late
    state      text NOT NULL DEFAULT 'active' CHECK (state IN ('active', 'paused', 'removed')),
    next_at    timestamptz,                 -- due next; null: not active, or never again
    created_by text NOT NULL,
    created_at timestamptz NOT NULL DEFAULT now(),
    changed_by text,
    changed_at timestamptz,
    CHECK (state = 'active' OR next_at IS NULL)
);
CREATE UNIQUE INDEX schedule_name ON schedule (name) WHERE state <> 'removed';
CREATE INDEX schedule_due ON schedule (next_at) WHERE state = 'active';

-- What became of each time at which a schedule was due.
CREATE TABLE schedule_firing (
    schedule_id uuid NOT NULL REFERENCES schedule,
    due_at      timestamptz NOT NULL,
    at          timestamptz NOT NULL DEFAULT now(),
    outcome     text NOT NULL CHECK (outcome IN ('fired', 'caught up', 'waiting', 'skipped', 'refused', 'missed')),
    reason      text NOT NULL DEFAULT '',
    missed      integer NOT NULL DEFAULT 0, -- due times before this one that nothing became of
    asked_by    text,                       -- who ran it out of turn; null: the clock
    campaign_id uuid REFERENCES campaign,
    PRIMARY KEY (schedule_id, due_at),      -- nothing fires twice
    CHECK ((outcome IN ('fired', 'caught up')) = (campaign_id IS NOT NULL)),
    CHECK (outcome IN ('fired', 'caught up') OR reason <> '')
);
CREATE UNIQUE INDEX schedule_waiting ON schedule_firing (schedule_id) WHERE outcome = 'waiting';
CREATE INDEX schedule_firing_campaign ON schedule_firing (campaign_id);

-- The plans that a new build of a type of radio unit goes through.
CREATE TABLE stage_plan (
    unit_type text NOT NULL,
    stage     text NOT NULL CHECK (stage IN ('smoke', 'full')),
    plan_id   bigint NOT NULL REFERENCES plan_version,
    set_by    text NOT NULL,
    set_at    timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (unit_type, stage)
);

-- A build that was announced for a type goes through its stages, each a campaign.
CREATE TABLE announcement (
    id           uuid PRIMARY KEY,
    build        text NOT NULL REFERENCES build,
    unit_type    text NOT NULL,
    priority     integer NOT NULL,
    announced_by text NOT NULL,
    announced_at timestamptz NOT NULL DEFAULT now(),
    state        text NOT NULL DEFAULT 'active' CHECK (state IN ('active', 'passed', 'stopped')),
    ended_at     timestamptz,
    CHECK ((state = 'active') = (ended_at IS NULL))
);
CREATE UNIQUE INDEX announcement_active ON announcement (build, unit_type) WHERE state = 'active';

CREATE TABLE announcement_stage (
    announcement_id uuid NOT NULL REFERENCES announcement,
    number          integer NOT NULL CHECK (number >= 1),
    name            text NOT NULL CHECK (name IN ('smoke', 'full')),
    plan_id         bigint NOT NULL REFERENCES plan_version,
    state           text NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'active', 'passed', 'failed', 'not started')),
    reason          text NOT NULL DEFAULT '',
    campaign_id     uuid REFERENCES campaign,
    started_at      timestamptz,
    ended_at        timestamptz,
    PRIMARY KEY (announcement_id, number),
    CHECK (state NOT IN ('active', 'passed') OR campaign_id IS NOT NULL),
    CHECK ((state IN ('failed', 'not started')) = (reason <> ''))
);

-- A request with an idempotency key that was done, so that it is done once.
CREATE TABLE idempotency_key (
    operation    text NOT NULL,
    key          text NOT NULL,
    request_hash bytea NOT NULL,
    made         uuid NOT NULL,             -- what the request made
    answer       bytea,                     -- as it was given; null: the program ended before it was kept
    made_at      timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (operation, key)
);
CREATE INDEX idempotency_key_age ON idempotency_key (made_at);

-- Who wants to be told. The secret has to be kept as it is: it signs.
CREATE TABLE webhook (
    id              uuid PRIMARY KEY,
    url             text NOT NULL,
    types           text[] NOT NULL DEFAULT '{}', -- of messages; empty: all
    state           text NOT NULL DEFAULT 'active' CHECK (state IN ('active', 'disabled', 'removed')),
    reason          text NOT NULL DEFAULT '',     -- why it is disabled
    secret          text NOT NULL,
    previous_secret text,                         -- signs too until previous_until
    previous_until  timestamptz,
    created_by      text NOT NULL,
    created_at      timestamptz NOT NULL DEFAULT now(),
    CHECK ((previous_secret IS NULL) = (previous_until IS NULL)),
    CHECK ((state = 'disabled') <= (reason <> ''))
);

-- What happened, written in the transaction in which it did, if anybody wants to know.
CREATE TABLE webhook_message (
    id          uuid PRIMARY KEY DEFAULT gen_random_uuid(),
    at          timestamptz NOT NULL DEFAULT now(),
    lab         text NOT NULL,
    type        text NOT NULL,
    subject     text NOT NULL,
    data        jsonb NOT NULL
);
CREATE INDEX webhook_message_by_subject ON webhook_message (subject, type, at);
CREATE INDEX webhook_message_by_age ON webhook_message (at);

CREATE TABLE webhook_delivery (
    id            bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    webhook_id    uuid NOT NULL REFERENCES webhook,
    message_id    uuid NOT NULL REFERENCES webhook_message,
    state         text NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'delivered', 'dead')),
    attempts      integer NOT NULL DEFAULT 0,
    next_at       timestamptz NOT NULL DEFAULT now(), -- not before; an attempt in work puts it off until it has surely ended
    last_status   integer NOT NULL DEFAULT 0,
    last_error    text NOT NULL DEFAULT '',
    last_at       timestamptz,
    UNIQUE (webhook_id, message_id)
);
CREATE INDEX webhook_delivery_due ON webhook_delivery (next_at) WHERE state = 'waiting';
CREATE INDEX webhook_delivery_newest ON webhook_delivery (webhook_id, id);

-- +goose StatementEnd
