-- +goose Up

-- The steps of bring-up and retune that an attempt of a segment came to, in order.
CREATE TABLE run_step (
    run_id     uuid NOT NULL,
    segment    integer NOT NULL,
    attempt    integer NOT NULL,
    number     integer NOT NULL CHECK (number >= 1),
    name       text NOT NULL,
    outcome    text NOT NULL CHECK (outcome IN ('done', 'by the unit itself', 'failed')),
    detail     text NOT NULL,              -- what came of it, or the error
    tries      integer NOT NULL,
    began_at   timestamptz NOT NULL,       -- by the clock of the agent
    duration_s double precision NOT NULL,
    PRIMARY KEY (run_id, segment, attempt, number),
    FOREIGN KEY (run_id, segment) REFERENCES run_segment
);
