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

-- +goose StatementEnd
