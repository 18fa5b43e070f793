-- +goose Up

-- What a verdict is explained with beside value and limit. Figures that were
-- stored before have none of it: null means not known.
ALTER TABLE measurement
    ADD COLUMN probability       double precision CHECK (probability BETWEEN 0 AND 1), -- that the true value lies within the requirement
    ADD COLUMN budget            jsonb,             -- the parts of the uncertainty, as jobs/uncertainty has them
    ADD COLUMN max_uncertainty   double precision,  -- permitted for the test system
    ADD COLUMN tightened         double precision NOT NULL DEFAULT 0 CHECK (tightened >= 0), -- what the limits lost to uncertainty beyond it
    ADD COLUMN carrier_power_dbm double precision,  -- of the carrier in the same sweep, where the figure needs it
    ADD COLUMN correction_db     double precision;  -- path loss that was added at the place of the figure
