-- +goose Up

-- A case may be measured on several carriers at once. The carrier columns then
-- hold the lowest of them.
ALTER TABLE measured_case
    ADD COLUMN configuration text NOT NULL DEFAULT '', -- its name in the plan; empty for a single carrier
    ADD COLUMN carriers      jsonb;                    -- all of them, rising by frequency; null for a single carrier
