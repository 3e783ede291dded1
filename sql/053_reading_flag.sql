-- Grain   one row per span of a device's channel on a local day whose values are not good, or are to be known of
-- Source  IEC 61724-1, data quality checks: out of range, dead value, abrupt change
-- Why     what is known to be false counts nowhere; reading_raw stays as reported, and flags are applied when it is read
CREATE TABLE reading_flag (
    site_id VARCHAR NOT NULL, device_id VARCHAR NOT NULL, day DATE NOT NULL, channel VARCHAR NOT NULL,
    from_utc TIMESTAMPTZ NOT NULL, to_utc TIMESTAMPTZ NOT NULL, flag VARCHAR NOT NULL, reason VARCHAR NOT NULL,
    rule VARCHAR NOT NULL, readings INTEGER NOT NULL, value DOUBLE, value_utc TIMESTAMPTZ, "limit" DOUBLE,
    total_h DOUBLE, usual_h DOUBLE, since DATE
);
-- Grain   one row per site-day whose flags look back on days that changed
CREATE TABLE flag_due (site_id VARCHAR NOT NULL, day DATE NOT NULL);
INSERT INTO dirty_day SELECT site_id, day FROM site_day;
INSERT INTO reader_due SELECT DISTINCT 'reading_raw', period FROM reader_part
WHERE relation = 'reading' AND superseded_at IS NULL;
