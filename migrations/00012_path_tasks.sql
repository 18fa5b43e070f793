-- +goose Up
-- +goose StatementBegin

-- Signal paths that are to be measured, or checked against their correction, at a bench.
CREATE TABLE path_task (
    id             uuid PRIMARY KEY,
    kind           text NOT NULL CHECK (kind IN ('measure', 'check')),
    bench          text NOT NULL REFERENCES bench,
    slot           integer NOT NULL CHECK (slot >= 1),
    connector      integer NOT NULL CHECK (connector >= 1),
    frequencies_hz double precision[] NOT NULL CHECK (cardinality(frequencies_hz) > 0),
    level_dbm      double precision NOT NULL, -- of the generator
    asked_by       text NOT NULL CHECK (asked_by <> ''),
    asked_at       timestamptz NOT NULL DEFAULT now(),
    state          text NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'active', 'done', 'error', 'cancelled')),
    error          text,
    ended_by       text,                      -- who cancelled it
    token          bigint,                    -- lease token of the holder that works or worked on it
    started_at     timestamptz,
    finished_at    timestamptz,
    doing          text NOT NULL DEFAULT '',  -- one line for people
    readings       integer NOT NULL DEFAULT 0, -- taken so far, of two for each frequency
    left_s         double precision NOT NULL DEFAULT 0, -- of taking readings, as of updated_at
    updated_at     timestamptz NOT NULL DEFAULT now(),
    -- The end of the path may be anywhere: a person was asked to move it, and has not
    -- yet said that it is back.
    displaced      boolean NOT NULL DEFAULT false,
    passed         boolean,                   -- of a check that is done
    proposal_id    uuid REFERENCES path_correction, -- of a measurement that is done
    result         jsonb,                     -- readings, equipment and losses, or the differences of a check
    instruments    jsonb NOT NULL DEFAULT '{}', -- identities and certificates as found
    program_version text NOT NULL DEFAULT '',
    transcript     bytea,                     -- zstd over text, one message per line
    CHECK ((state IN ('done', 'error', 'cancelled')) = (finished_at IS NOT NULL)),
    CHECK ((state = 'error') = (error IS NOT NULL)),
    CHECK ((state = 'done') <= (result IS NOT NULL)),
    CHECK ((state = 'done' AND kind = 'check') = (passed IS NOT NULL)),
    CHECK ((state = 'done' AND kind = 'measure') = (proposal_id IS NOT NULL))
);
CREATE INDEX path_task_by_time ON path_task (asked_at);
-- A bench measures one path at a time.
CREATE UNIQUE INDEX path_task_active ON path_task (bench) WHERE state = 'active';
-- What waits is not asked for twice.
CREATE UNIQUE INDEX path_task_open ON path_task (bench, slot, connector, kind) WHERE state IN ('queued', 'active');

ALTER TABLE prompt ADD COLUMN task_id uuid REFERENCES path_task; -- null: asked for none
CREATE INDEX prompt_by_task ON prompt (task_id, asked_at);

-- +goose StatementEnd
