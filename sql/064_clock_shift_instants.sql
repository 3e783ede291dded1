-- Grain   as before: one row per correction of a site's clock, and per span of stamps
-- Why     a correction may begin and end at an instant, and that of a drifting clock grows by so many seconds a day
ALTER TABLE clock_shift ADD COLUMN from_utc TIMESTAMPTZ; -- NULL = the start of from_day
ALTER TABLE clock_shift ADD COLUMN until_utc TIMESTAMPTZ; -- NULL = the end of to_day
ALTER TABLE clock_shift ADD COLUMN rate_s_per_day DOUBLE DEFAULT 0; -- added to the stamps for each day since it begins
ALTER TABLE clock_shift_span ADD COLUMN rate_s_per_day DOUBLE DEFAULT 0; -- counted from from_utc on
