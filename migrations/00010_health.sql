-- +goose Up
-- +goose StatementBegin

-- What the radio unit told while a trace of the transceiver health test was
-- taken: times by its clock, supply. Null: it was not asked.
ALTER TABLE trace ADD COLUMN unit_told jsonb;

-- +goose StatementEnd
