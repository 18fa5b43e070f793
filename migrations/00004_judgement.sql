-- +goose Up
-- +goose StatementBegin

-- Stored traces judged again: under other limits, another rule or other
-- corrections. What was judged first is never changed; this stands beside it.
CREATE TABLE judgement (
    id                uuid PRIMARY KEY,
    asked_by          text NOT NULL,
    asked_at          timestamptz NOT NULL DEFAULT now(),
    reason            text NOT NULL CHECK (reason <> ''),
    simulated         boolean NOT NULL,              -- all of its runs, or none
    limit_set         text NOT NULL,                 -- name of the set, with the files laid over it
    limits_file       text NOT NULL DEFAULT '',      -- name of the file laid over the embedded set; empty: none
    limits_document   text,
    rule_name         text,                          -- null: the rule of each plan
    guard_band_factor double precision NOT NULL DEFAULT 0,
    probability       double precision NOT NULL DEFAULT 0,
    lab_id            bigint REFERENCES lab_version, -- corrections of this version; null: see lab_document
    lab_file          text NOT NULL DEFAULT '',      -- name of a file with corrections that was never in force
    lab_document      text,                          -- null, like lab_id: the version of each campaign
    program_version   text NOT NULL,                 -- of the program that was asked
    state             text NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'active', 'done', 'error')),
    error             text,                          -- why nothing more is judged
    started_at        timestamptz,
    finished_at       timestamptz,
    CHECK ((state IN ('done', 'error')) = (finished_at IS NOT NULL)),
    CHECK ((state = 'error') = (error IS NOT NULL)),
    CHECK ((limits_file = '') = (limits_document IS NULL)),
    CHECK ((lab_file = '') = (lab_document IS NULL)),
    CHECK (lab_id IS NULL OR lab_document IS NULL)
);
CREATE INDEX judgement_open ON judgement (asked_at) WHERE state IN ('queued', 'active');

CREATE TABLE judgement_run (
    judgement_id     uuid NOT NULL REFERENCES judgement,
    run_id           uuid NOT NULL REFERENCES run,
    batch            integer NOT NULL CHECK (batch >= 1),  -- runs that are worked on together
    state            text NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'done', 'error')),
    traces           integer NOT NULL,              -- stored for the run when it was asked
    verdict_before   text NOT NULL,
    verdict          text CHECK (verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail', 'error', 'aborted', 'not run')),
    error            text,                          -- why it could not be judged again; nothing of it is stored then
    figures          integer NOT NULL DEFAULT 0,
    changed          integer NOT NULL DEFAULT 0,    -- figures with another value, limit, margin or verdict
    verdicts_changed integer NOT NULL DEFAULT 0,    -- figures with another verdict
    program_version  text NOT NULL DEFAULT '',      -- of the program that judged
    finished_at      timestamptz,
    PRIMARY KEY (judgement_id, run_id),
    CHECK ((state = 'waiting') = (finished_at IS NULL)),
    CHECK ((state = 'done') = (verdict IS NOT NULL)),
    CHECK ((state = 'error') = (error IS NOT NULL))
);
CREATE INDEX judgement_run_by_run ON judgement_run (run_id);
CREATE INDEX judgement_run_waiting ON judgement_run (judgement_id, batch) WHERE state = 'waiting';

-- The same columns as measurement: a later migration that adds one there adds
-- it here too.
CREATE TABLE judgement_measurement (
    judgement_id uuid NOT NULL REFERENCES judgement,
    LIKE measurement INCLUDING DEFAULTS INCLUDING CONSTRAINTS,
    PRIMARY KEY (judgement_id, case_id, requirement_key),
    FOREIGN KEY (case_id) REFERENCES measured_case
);
ALTER TABLE judgement_measurement DROP COLUMN id;

-- +goose StatementEnd
