-- +goose Up
-- +goose StatementBegin

-- Corrections of signal paths that were proposed, and what became of them. Those in
-- force stand in the inventory too: every approval makes a version of it.
CREATE TABLE path_correction (
    id          uuid PRIMARY KEY,
    bench       text NOT NULL REFERENCES bench,
    slot        integer NOT NULL CHECK (slot >= 1),
    connector   integer NOT NULL CHECK (connector >= 1),
    elements    text[] NOT NULL DEFAULT '{}', -- of the path when it was measured; empty: they had no names
    analyzer    text CHECK (analyzer <> ''),  -- that the path was measured with as a whole; null: the path alone
    source      text NOT NULL CHECK (source IN ('measured', 'imported', 'checked')),
    origin      text NOT NULL,                -- file, or the measurement, for people
    measured_by text NOT NULL CHECK (measured_by <> ''),
    measured_at timestamptz NOT NULL,
    correction  jsonb NOT NULL,               -- rows with frequency_hz, loss_db, uncertainty_db (k = 2) and budget
    readings    jsonb,                        -- that the rows were computed from; null: none are known
    simulated   boolean NOT NULL,
    lab_id      bigint NOT NULL REFERENCES lab_version, -- in force when it was proposed
    proposed_at timestamptz NOT NULL DEFAULT now(),
    state       text NOT NULL DEFAULT 'proposed' CHECK (state IN ('proposed', 'approved', 'rejected', 'superseded')),
    decided_by  text CHECK (decided_by <> ''),
    decided_at  timestamptz,
    reason      text NOT NULL DEFAULT '',
    valid_until date,                         -- last day it is good, once approved
    before_id   bigint REFERENCES lab_version, -- in force right before the approval
    version_id  bigint REFERENCES lab_version, -- that the approval made
    CHECK ((state = 'proposed') = (decided_by IS NULL)),
    CHECK ((decided_by IS NULL) = (decided_at IS NULL)),
    CHECK (state <> 'rejected' OR reason <> ''),
    CHECK (state NOT IN ('approved', 'superseded') OR valid_until IS NOT NULL AND version_id IS NOT NULL)
);
CREATE INDEX path_correction_by_place ON path_correction (bench, slot, connector, proposed_at);
CREATE INDEX path_correction_open ON path_correction (proposed_at) WHERE state = 'proposed';

-- +goose StatementEnd
