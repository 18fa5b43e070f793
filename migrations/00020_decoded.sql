-- +goose Up
-- An inventory as it was read, so that it need not be read again: see package lab.
ALTER TABLE lab_version ADD COLUMN decoded bytea, ADD COLUMN decoded_shape text;
