-- +goose Up
-- +goose StatementBegin

-- Which store of big evidence belongs to this database; one row at most.
CREATE TABLE blob_store (
    only_row boolean PRIMARY KEY DEFAULT true CHECK (only_row),
    id       uuid NOT NULL,          -- stands in the store too
    address  text NOT NULL,          -- where it was made, for people
    made_at  timestamptz NOT NULL DEFAULT now()
);

-- The objects in it. A row comes before its object and goes before it; whoever
-- is about to name an object touches its row first.
CREATE TABLE blob (
    key     text PRIMARY KEY CHECK (key ~ '^[0-9a-f]{64}$'), -- SHA-256 of the content
    size    bigint NOT NULL CHECK (size >= 0),               -- of the content
    stored  bigint NOT NULL CHECK (stored >= 0),             -- as compressed
    used_at timestamptz NOT NULL DEFAULT now()
);

-- Evidence is in its row, or in an object; in neither: it was thinned.
ALTER TABLE transcript
    ALTER COLUMN body DROP NOT NULL,
    ADD COLUMN blob text REFERENCES blob,                    -- text, as it is in body once unpacked
    ADD CHECK (body IS NULL OR blob IS NULL);
CREATE INDEX transcript_by_blob ON transcript (blob) WHERE blob IS NOT NULL;

ALTER TABLE trace
    ALTER COLUMN levels DROP NOT NULL,
    ADD COLUMN blob      text REFERENCES blob,               -- holds, from blob_from on, what would be in levels
    ADD COLUMN blob_from bigint CHECK (blob_from >= 0),
    ADD COLUMN blob_size bigint CHECK (blob_size > 0),
    ADD CHECK (levels IS NULL OR blob IS NULL),
    ADD CHECK (num_nulls(blob, blob_from, blob_size) IN (0, 3));
CREATE INDEX trace_by_blob ON trace (blob) WHERE blob IS NOT NULL;

-- What became of the evidence of a run, and under which policy. Verdicts and
-- figures are never touched.
CREATE TABLE evidence_change (
    run_id uuid NOT NULL REFERENCES run,
    what   text NOT NULL CHECK (what IN ('moved', 'passed traces', 'other traces', 'transcripts')),
    at     timestamptz NOT NULL DEFAULT now(),
    policy text NOT NULL,
    pieces integer NOT NULL,        -- traces or transcripts
    bytes  bigint NOT NULL,         -- of them, compressed
    PRIMARY KEY (run_id, what)
);

-- Evidence that must stay, whatever the policy says.
CREATE TABLE evidence_hold (
    id             bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    campaign_id    uuid REFERENCES campaign,
    run_id         uuid REFERENCES run,
    serial         text REFERENCES radio_unit,
    reason         text NOT NULL CHECK (reason <> ''),
    held_by        text NOT NULL CHECK (held_by <> ''),
    held_at        timestamptz NOT NULL DEFAULT now(),
    released_by    text CHECK (released_by <> ''),
    release_reason text CHECK (release_reason <> ''),
    released_at    timestamptz,
    CHECK (num_nonnulls(campaign_id, run_id, serial) = 1),
    CHECK (num_nulls(released_by, release_reason, released_at) IN (0, 3))
);
CREATE INDEX evidence_hold_run ON evidence_hold (run_id) WHERE released_at IS NULL;
CREATE INDEX evidence_hold_campaign ON evidence_hold (campaign_id) WHERE released_at IS NULL;
CREATE INDEX evidence_hold_serial ON evidence_hold (serial) WHERE released_at IS NULL;

CREATE INDEX run_by_end ON run (finished_at) WHERE finished_at IS NOT NULL;
CREATE INDEX event_by_time ON event USING brin (at);

-- Programs that drive benches, and those that were refused.
CREATE TABLE agent (
    name       text PRIMARY KEY,
    version    text NOT NULL,
    level      bigint NOT NULL,     -- newest migration that the program knows
    started_at timestamptz NOT NULL DEFAULT now(),
    seen_at    timestamptz NOT NULL DEFAULT now(),
    refused    text                 -- why it must not work; null: it may
);

-- The lowest level of a running program that may go on beside this schema.
CREATE TABLE schema_floor (
    only_row boolean PRIMARY KEY DEFAULT true CHECK (only_row),
    level    bigint NOT NULL
);

-- +goose StatementEnd
