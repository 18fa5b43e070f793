-- +goose Up
-- +goose StatementBegin

-- A run of the golden unit of its bench, by the inventory it was queued with: it
-- tells of the bench, and never counts in yield, capability or comparisons of builds.
ALTER TABLE run ADD COLUMN golden boolean NOT NULL DEFAULT false;
CREATE INDEX run_golden ON run (bench, serial) WHERE golden;

-- +goose StatementEnd
