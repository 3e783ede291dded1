-- Grain   one row per site and local day that went before the detectors
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW judged AS
SELECT
    site_id, day, judged_at
FROM read_parquet($parts);
COMMENT ON VIEW judged IS 'one row per site and local day that went before the detectors';
COMMENT ON COLUMN judged.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN judged.day IS 'date: local calendar day of the site, 23 to 25 h';
COMMENT ON COLUMN judged.judged_at IS 'UTC: when the day went before the detectors';
