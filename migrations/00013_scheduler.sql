-- +goose Up
-- +goose StatementBegin

-- Until when a campaign should be done. Its priority is that of a class: 10 urgent,
-- 50 high, 100 normal, 200 low; figures between them count as the nearest.
ALTER TABLE campaign ADD COLUMN deadline timestamptz;

-- What the scheduler must know of a run beside that, as it was when it was queued.
-- A run of a unit on the shelf has no bench until the unit is mounted and the run is
-- taken; then lab_id names the inventory that says where.
ALTER TABLE run
    ADD COLUMN set_up jsonb NOT NULL DEFAULT '{}',  -- {band, cabling, front_end}: what stands on the bench for it
    ADD COLUMN needs  jsonb NOT NULL DEFAULT '{}',  -- {low_hz, high_hz, power_dbm, connectors, options}: what the bench must have
    ADD COLUMN fits   jsonb,                        -- {bench: [slots]}: where a unit from the shelf could be mounted; null: it was mounted
    ADD COLUMN lab_id bigint REFERENCES lab_version, -- measured with this inventory; null: with that of the campaign
    ADD COLUMN pause_requested text;                -- why it should give way at its next safe boundary; null: it goes on

CREATE INDEX run_queued ON run (bench, campaign_id, queued_at, id) WHERE state = 'queued';
CREATE INDEX run_started ON run (started_at);

-- Every holder that a bench had, to see which benches flap.
CREATE TABLE bench_takeover (
    bench     text NOT NULL REFERENCES bench,
    token     bigint NOT NULL,
    holder    text NOT NULL,
    abandoned boolean NOT NULL,             -- the holder before it never gave the bench back
    at        timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (bench, token)
);
CREATE INDEX bench_takeover_abandoned ON bench_takeover (at) WHERE abandoned;

-- +goose StatementEnd
