-- +goose Up
-- +goose StatementBegin

-- The right to drive one instrument. It hangs under the lease of the bench that has
-- it: it lives as long as that lease does. A bench whose lease ended without giving an
-- instrument back keeps it from others until the bench was confirmed safe, because
-- its radio units may still transmit into it.
CREATE TABLE instrument_lease (
    instrument  text PRIMARY KEY,            -- by its name in the inventory
    token       bigint NOT NULL DEFAULT 0,   -- grows with every new holder, never restarts
    bench       text REFERENCES bench,       -- null: given back
    bench_token bigint,                      -- of the lease of the bench under which it was taken
    taken_at    timestamptz,
    CHECK ((bench IS NULL) = (bench_token IS NULL))
);
CREATE INDEX instrument_lease_by_bench ON instrument_lease (bench);

-- Who waits for instruments, in the order in which they asked. All of them or none are
-- taken, so that two benches never wait for each other.
CREATE TABLE instrument_wait (
    bench       text PRIMARY KEY REFERENCES bench,
    token       bigint NOT NULL,             -- of the lease of the bench; waits only while that lives
    number      bigint GENERATED ALWAYS AS IDENTITY,
    instruments text[] NOT NULL,
    asked_at    timestamptz NOT NULL DEFAULT now(),
    valid_until timestamptz NOT NULL         -- who does not ask again before is passed over
);

-- A run that has begun may go back to the queue: to be tried again later, or to make
-- room for another one.
ALTER TABLE run
    ADD COLUMN due_at timestamptz,           -- not before; null: as soon as its turn comes
    ADD COLUMN paused text,                  -- why it waits although it has begun; null: it does not
    ADD COLUMN warm jsonb,                   -- what its unit told when it was warm; null: it was not, or told nothing
    ADD COLUMN first_verdict text            -- of the first attempts of its cases; null: as verdict
        CHECK (first_verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail', 'error', 'aborted', 'not run'));
ALTER TABLE run_segment
    ADD COLUMN failures integer NOT NULL DEFAULT 0,  -- attempts that ended in an error
    ADD COLUMN lab_id bigint REFERENCES lab_version; -- what it was measured by; null: what the campaign names

-- A case that failed may be measured again: another attempt under
-- the same key, of which the last one counts.
ALTER TABLE measured_case
    ADD COLUMN attempt integer NOT NULL DEFAULT 1 CHECK (attempt >= 1),
    ADD COLUMN last boolean NOT NULL DEFAULT true,
    DROP CONSTRAINT measured_case_run_id_case_key_key,
    ADD CONSTRAINT measured_case_attempt_key UNIQUE (run_id, case_key, attempt); -- no case is stored twice
CREATE UNIQUE INDEX measured_case_last ON measured_case (run_id, case_key) WHERE last;

-- The holder of a bench begins nothing new: it is stopping.
ALTER TABLE bench_lease ADD COLUMN draining boolean NOT NULL DEFAULT false;

-- Each time that a safe state was not confirmed where the one before was, to see which
-- benches flap.
CREATE TABLE bench_alarm (
    bench  text NOT NULL REFERENCES bench,
    at     timestamptz NOT NULL DEFAULT clock_timestamp(),
    reason text NOT NULL,
    PRIMARY KEY (bench, at)
);
-- What happened before a person last released the bench counts no more.
ALTER TABLE bench ADD COLUMN trusted_at timestamptz;

-- +goose StatementEnd
