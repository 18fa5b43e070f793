-- +goose Up
-- +goose StatementBegin

ALTER TABLE bench DROP CONSTRAINT bench_activity_check;
ALTER TABLE bench ADD CONSTRAINT bench_activity_check
    CHECK (activity IN ('offline', 'taking over', 'idle', 'bring-up', 'measuring', 'safe', 'alarm', 'waiting'));

-- What a person was asked to do at a bench, and what became of it.
CREATE TABLE prompt (
    id          uuid PRIMARY KEY,
    bench       text NOT NULL REFERENCES bench,
    token       bigint NOT NULL,            -- lease token of who asks; an answer counts only while that lease lives
    run_id      uuid REFERENCES run,        -- null: asked for no run
    kind        text NOT NULL,
    instruction text NOT NULL CHECK (instruction <> ''),
    cautions    text[] NOT NULL DEFAULT '{}',
    confirmed   text[] NOT NULL DEFAULT '{}', -- what was confirmed before anybody was asked to touch anything
    asked_at    timestamptz NOT NULL DEFAULT now(),
    expires_at  timestamptz NOT NULL,
    state       text NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'done', 'cannot', 'timed out', 'withdrawn')),
    answered_by text CHECK (answered_by <> ''),
    note        text NOT NULL DEFAULT '',   -- of the person, or why it was withdrawn
    ended_at    timestamptz,
    CHECK ((state = 'open') = (ended_at IS NULL)),
    CHECK ((state IN ('done', 'cannot')) = (answered_by IS NOT NULL)),
    CHECK (state <> 'cannot' OR note <> '')
);
-- A person does one thing at a bench at a time.
CREATE UNIQUE INDEX prompt_open ON prompt (bench) WHERE state = 'open';
CREATE INDEX prompt_by_run ON prompt (run_id, asked_at);
CREATE INDEX prompt_by_bench ON prompt (bench, asked_at);

-- Which of the units that are mounted by hand was put into a slot last. Others
-- stand in the inventory.
CREATE TABLE slot_unit (
    bench      text NOT NULL REFERENCES bench,
    slot       integer NOT NULL CHECK (slot >= 1),
    serial     text NOT NULL REFERENCES radio_unit,
    mounted_by text NOT NULL,
    mounted_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (bench, slot)
);

-- +goose StatementEnd
