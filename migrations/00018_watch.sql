-- +goose Up
-- Since when the holder of a lease has it, for those who watch.
ALTER TABLE bench_lease ADD COLUMN taken_at timestamptz NOT NULL DEFAULT now();
