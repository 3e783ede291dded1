-- Grain   one row per span of values of a device's channel that are not good, or of which something is to be known
-- Source  the Parquet parts in force, named one by one: an open session goes on seeing what it had
CREATE VIEW reading_flag AS
SELECT
    site_id, device_id, channel, from_utc, to_utc, flag, reason, day,
    rule, readings, value, value_utc, "limit", total_h, usual_h, since
FROM read_parquet($parts);
COMMENT ON VIEW reading_flag IS 'one row per span of values of a device''s channel that are not good, or of which something is to be known';
COMMENT ON COLUMN reading_flag.site_id IS 'the site''s id in the register';
COMMENT ON COLUMN reading_flag.device_id IS 'the inverter''s id in devices.csv; empty = the site''s own';
COMMENT ON COLUMN reading_flag.channel IS 'name of the channel in reading; overlap_s: of the interval as a whole';
COMMENT ON COLUMN reading_flag.from_utc IS 'UTC: start of the first interval';
COMMENT ON COLUMN reading_flag.to_utc IS 'UTC: end of the last interval';
COMMENT ON COLUMN reading_flag.flag IS 'implausible, placeholder, frozen, duplicated: null in reading; beyond rating, overlapping, curtailed, clipped, shared: to be known, the values stay';
COMMENT ON COLUMN reading_flag.reason IS 'text: why';
COMMENT ON COLUMN reading_flag.day IS 'date: local calendar day of the site in which the span lies';
COMMENT ON COLUMN reading_flag.rule IS 'name of the check';
COMMENT ON COLUMN reading_flag.readings IS 'count of values in the span';
COMMENT ON COLUMN reading_flag.value IS 'the value furthest beyond its limit, or the one that stands still, in the channel''s unit';
COMMENT ON COLUMN reading_flag.value_utc IS 'UTC: where that value stands';
COMMENT ON COLUMN reading_flag."limit" IS 'the bound that was passed, in the channel''s unit; frozen: h beyond which a run of equal values is told';
COMMENT ON COLUMN reading_flag.total_h IS 'h for which it stands still, earlier days included; null = not frozen';
COMMENT ON COLUMN reading_flag.usual_h IS 'h: the channel''s usual longest run of equal values; null = not frozen';
COMMENT ON COLUMN reading_flag.since IS 'date: first day on which it stood still; null = not frozen';
