-- +goose Up
-- +goose StatementBegin

-- From when on the runs of a golden unit are compared with each other: begun anew
-- after something of the bench was changed on purpose. Earlier runs stay stored.
CREATE TABLE golden_baseline (
    id       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    bench    text NOT NULL REFERENCES bench (name),
    serial   text NOT NULL,
    begun_at timestamptz NOT NULL DEFAULT now(),
    begun_by text NOT NULL CHECK (begun_by <> ''),
    reason   text NOT NULL CHECK (reason <> '')
);
CREATE INDEX golden_baseline_newest ON golden_baseline (bench, serial, begun_at DESC);

-- +goose StatementEnd
