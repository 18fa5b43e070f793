-- +goose Up

-- The part of the analyzer's noise in a figure, {measured_dbm, floor_dbm,
-- excess_db, taken_db}; null where nothing was to be taken off.
ALTER TABLE measurement ADD COLUMN noise_floor jsonb;
ALTER TABLE judgement_measurement ADD COLUMN noise_floor jsonb;
