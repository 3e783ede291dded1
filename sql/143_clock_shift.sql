-- Grain   one row per correction of a site's clock
-- Source  the history's table of this name, as of the last run
CREATE TABLE clock_shift AS
SELECT
    shift_id, site_id, shift_min, from_day, to_day, CAST(made_at AS TIMESTAMP) AS made_at, CAST(undone_at AS TIMESTAMP) AS undone_at, note,
    CAST(from_utc AS TIMESTAMP) AS from_utc, CAST(until_utc AS TIMESTAMP) AS until_utc, rate_s_per_day
FROM history.clock_shift;
COMMENT ON TABLE clock_shift IS 'one row per correction of a site''s clock';
COMMENT ON COLUMN clock_shift.shift_id IS 'number of the correction';
COMMENT ON COLUMN clock_shift.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN clock_shift.shift_min IS 'min added to the stamps';
COMMENT ON COLUMN clock_shift.from_day IS 'date: first local day as stamped';
COMMENT ON COLUMN clock_shift.to_day IS 'date: last local day; null = until further notice';
COMMENT ON COLUMN clock_shift.made_at IS 'UTC';
COMMENT ON COLUMN clock_shift.undone_at IS 'UTC; null = in force';
COMMENT ON COLUMN clock_shift.note IS 'text of the last decision';
COMMENT ON COLUMN clock_shift.from_utc IS 'UTC: first instant as stamped; null = the start of from_day';
COMMENT ON COLUMN clock_shift.until_utc IS 'UTC: first instant as stamped that is corrected no more; null = the end of to_day';
COMMENT ON COLUMN clock_shift.rate_s_per_day IS 's/day added to the stamps besides, growing from the first instant on';
